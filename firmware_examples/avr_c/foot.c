/* How did the foot tread?
 *
 *     UP --down--> FIRST --0.6 s--> (long) HELD --up--> UP
 *                  FIRST --up--> BETWEEN --down--> (double) HELD
 *                                BETWEEN --0.35 s--> (short) UP
 */
#include "foot.h"

#include <avr/io.h>

#include "board.h"

enum { UP, FIRST, BETWEEN, HELD };

static uint8_t phase;
static uint8_t phase_slots;
static uint8_t is_down = 1; /* until seen up: a foot already down at boot is no press */
static uint8_t other_slots; /* how long the contact has differed from is_down */
static foot_counts counts;

static uint8_t contact(void)
{
    return !(PIND & _BV(FOOT_PIN));
}

void foot_init(void)
{
    PORTD |= _BV(FOOT_PIN);
    phase = HELD;
}

static void debounce(void)
{
    other_slots = contact() == is_down ? 0 : other_slots + 1u;
    if (other_slots == DEBOUNCE_SLOTS) {
        is_down = !is_down;
        other_slots = 0;
    }
}

static void enter(uint8_t next)
{
    phase = next;
    phase_slots = 0;
}

uint8_t foot_step(void)
{
    debounce();
    phase_slots += phase_slots < 255u;
    switch (phase) {
    case UP:
        if (is_down) {
            enter(FIRST);
        }
        return 0;
    case FIRST:
        if (!is_down) {
            enter(BETWEEN);
        } else if (phase_slots >= LONG_SLOTS) {
            counts.longs++;
            enter(HELD);
            return 1;
        }
        return 0;
    case BETWEEN:
        if (is_down) {
            counts.doubles++;
            enter(HELD);
            return 1;
        }
        if (phase_slots >= DOUBLE_SLOTS) {
            counts.shorts++;
            enter(UP);
            return 1;
        }
        return 0;
    default:
        if (!is_down) {
            enter(UP);
        }
        return 0;
    }
}

foot_counts foot_told(void)
{
    return counts;
}
