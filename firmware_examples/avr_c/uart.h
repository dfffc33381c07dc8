/* How do bytes leave and reach the board?  Both ways by interrupt, through rings. */
#ifndef UART_H
#define UART_H

#include <stdint.h>

void uart_init(void);

/* Free places in the ring towards the daemon; `uart_put` needs one, or the byte is dropped. */
uint8_t uart_room(void);
void uart_put(char c);

/* The next byte received, or -1. */
int16_t uart_get(void);

#endif
