/* What does the daemon want of lamp and buzzer?  Lines like the board's own, the other way: see ../README.md. */
#ifndef ORDERS_H
#define ORDERS_H

#include <avr/pgmspace.h>
#include <stdint.h>

#define ORDER_MOST 160u /* bytes of an order line, LF not counted */

/* Obey what has come in since. */
void orders_step(void);

/* Lines obeyed since boot. */
uint32_t orders_taken(void);

/* Why the last line refused was, once; NULL = none was since. */
PGM_P orders_take_refusal(void);

#endif
