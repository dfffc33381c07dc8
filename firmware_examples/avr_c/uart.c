/* How do bytes leave and reach the board?  Both ways by interrupt, through rings. */
#include "uart.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "board.h"

#define IN_SIZE 128u /* a power of two: 11 ms of bytes at 115200 */

static volatile char out_ring[256]; /* 8-bit indexes wrap by themselves */
static volatile uint8_t out_head, out_tail;
static volatile uint8_t in_ring[IN_SIZE];
static volatile uint8_t in_head, in_tail;

void uart_init(void)
{
    UCSR0A = _BV(U2X0);
    UBRR0 = (uint16_t)((F_CPU + BAUD_RATE * 4u) / (BAUD_RATE * 8u) - 1u); /* 16: 2.1 % fast, within 8N1's bounds */
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

ISR(USART_UDRE_vect)
{
    uint8_t tail = out_tail;

    if (tail == out_head) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
        return;
    }
    UDR0 = (uint8_t)out_ring[tail];
    out_tail = (uint8_t)(tail + 1u);
}

ISR(USART_RX_vect)
{
    uint8_t c = UDR0;
    uint8_t next = (in_head + 1u) & (IN_SIZE - 1u);

    if (next != in_tail) { /* full: the byte is lost and the line's checksum will tell */
        in_ring[in_head] = c;
        in_head = next;
    }
}

uint8_t uart_room(void)
{
    return (uint8_t)(out_tail - out_head - 1u);
}

void uart_put(char c)
{
    if (uart_room() == 0) {
        return;
    }
    out_ring[out_head] = c;
    out_head = (uint8_t)(out_head + 1u);
    UCSR0B |= _BV(UDRIE0);
}

int16_t uart_get(void)
{
    uint8_t c;

    if (in_head == in_tail) {
        return -1;
    }
    c = in_ring[in_tail];
    in_tail = (in_tail + 1u) & (IN_SIZE - 1u);
    return c;
}
