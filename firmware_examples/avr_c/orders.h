/* What does the daemon want of lamp and buzzer?  Lines like the board's own, the other way; ../README.md has the format. */
#ifndef ORDERS_H
#define ORDERS_H

#include <avr/pgmspace.h>
#include <stdint.h>

#define ORDER_MOST 160u /* bytes of an order line, LF not counted */

typedef struct {
    uint32_t taken;  /* lines obeyed since boot */
    uint32_t refused;
    PGM_P why;       /* the last one refused, since last asked; NULL = none */
} order_news;

/* Obey what has come in since. */
void orders_step(void);
order_news orders_news(void);
void orders_why_told(void);

#endif
