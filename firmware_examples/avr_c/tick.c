/* What time is it on the board, and what did the pressure input read on average?
 *
 * Timer 1 interrupts at 2 kHz.  Each time the finished conversion is added up and the next one is started (it takes
 * 104 us of the 500), so the converter needs no interrupt of its own.
 */
#include "tick.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"

#define ADC_ON (_BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0)) /* 125 kHz */

static volatile uint8_t tick; /* within this slot */
static volatile uint8_t slot; /* within this quarter second */
static volatile uint8_t slots;
static volatile uint8_t is_due;
static volatile __uint24 finished_sum;
static uint32_t quarters; /* taken */

void tick_init(void)
{
    ADMUX = _BV(REFS0) | PRESSURE_MUX; /* against AVcc, which also feeds the transducer: its drift cancels */
    DIDR0 = _BV(PRESSURE_MUX);
    ADCSRA = ADC_ON | _BV(ADSC);
    TCCR1A = 0;
    TCCR1B = _BV(WGM12) | _BV(CS11); /* clear on compare, 2 MHz */
    OCR1A = F_CPU / 8u / TICK_HZ - 1u;
    TIMSK1 = _BV(OCIE1A);
}

/* Two thousand times a second: what is not due is left alone, and sums are as narrow as they can be. */
ISR(TIMER1_COMPA_vect)
{
    static uint16_t slot_sum; /* ten samples */
    static __uint24 sum;
    uint16_t total = slot_sum + ADC;
    uint8_t next = tick + 1u;

    ADCSRA = ADC_ON | _BV(ADSC);
    if (next == TICKS_A_SLOT) {
        next = slot + 1u;
        if (next > SLOTS_A_QUARTER - SLOTS_AVERAGED) {
            sum += total;
        }
        if (next == SLOTS_A_QUARTER) {
            next = 0;
            finished_sum = sum;
            sum = 0;
            is_due = 1;
        }
        slot = next;
        slots++;
        next = 0;
        total = 0;
    }
    tick = next;
    slot_sum = total;
}

up_time tick_up(void)
{
    up_time up = {quarters, 0};

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        up.quarters += is_due;
        up.ms = slot * SLOT_MS + tick / (TICK_HZ / 1000u);
    }
    return up;
}

uint8_t tick_slots(void)
{
    return slots;
}

uint8_t tick_take_quarter(uint32_t *sum)
{
    if (!is_due) {
        return 0;
    }
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        is_due = 0;
        *sum = finished_sum;
        quarters++;
    }
    return 1;
}
