/* What do lamp and buzzer do just now?
 *
 * Timer 2 turns the buzzer's pin over by itself; here notes are only begun and ended.  The lamp blinks in step with the
 * slots.  When no order has come for UNHEARD_S the lamp gives one short flash every three seconds, whatever it showed
 * before: a lamp left burning by a daemon that died would be a lie.
 */
#include "signals.h"

#include <avr/io.h>

#include "board.h"

#define A_SECOND (1000u / SLOT_MS)
#define TICK_HZ_SOUND 2000u
#define TICK_SLOTS 2u   /* 10 ms of sound: a soft click */
#define FLASH_SLOTS 12u /* its flash on the lamp, and the flash of the unheard: 60 ms */

static note tune[NOTES_MOST];
static uint8_t tune_count, tune_at;
static uint16_t note_left;
static uint8_t lamp_mode;
static uint8_t flash_left;
static uint16_t blink_slot;
static uint16_t unheard_slots = UNHEARD_S * A_SECOND; /* from boot until the first order */

void signals_init(void)
{
    DDRB |= _BV(LAMP_PIN);
    DDRD |= _BV(BUZZER_PIN);
}

static void sound(uint16_t hz)
{
    if (hz == 0) {
        TCCR2A = 0;
        TCCR2B = 0;
        PORTD &= (uint8_t)~_BV(BUZZER_PIN);
        return;
    }
    TCCR2A = _BV(COM2B0) | _BV(WGM21); /* turn over at each end of the count */
    if (hz >= 500u) {
        OCR2A = (uint8_t)(F_CPU / 2u / 64u / hz - 1u);
        TCCR2B = _BV(CS22);
    } else {
        OCR2A = (uint8_t)(F_CPU / 2u / 256u / hz - 1u);
        TCCR2B = _BV(CS22) | _BV(CS21);
    }
}

static void begin_note(void)
{
    if (tune_at == tune_count) {
        sound(0);
        return;
    }
    sound(tune[tune_at].hz);
    note_left = tune[tune_at].slots;
    tune_at++;
}

void signals_play(const note *notes, uint8_t count)
{
    for (uint8_t i = 0; i < count; i++) {
        tune[i] = notes[i];
    }
    tune_count = count;
    tune_at = 0;
    begin_note();
}

void signals_tick(void)
{
    static const note click = {TICK_HZ_SOUND, TICK_SLOTS};

    if (note_left == 0) { /* a tune says more than a tick */
        signals_play(&click, 1);
    }
    flash_left = FLASH_SLOTS;
}

void signals_lamp(uint8_t mode)
{
    lamp_mode = mode;
}

void signals_heard(void)
{
    unheard_slots = 0;
}

static uint8_t is_lit(void)
{
    uint16_t slot = blink_slot;

    if (unheard_slots >= UNHEARD_S * A_SECOND) {
        return slot < FLASH_SLOTS;
    }
    switch (lamp_mode) {
    case LAMP_ON:
        return 1;
    case LAMP_SLOW:
        return slot % A_SECOND < A_SECOND / 2u;
    case LAMP_FAST:
        return slot % (A_SECOND / 4u) < A_SECOND / 8u;
    default:
        return 0;
    }
}

void signals_step(void)
{
    uint8_t lit;

    blink_slot = blink_slot + 1u == 3u * A_SECOND ? 0 : blink_slot + 1u;
    unheard_slots += unheard_slots < UNHEARD_S * A_SECOND;
    if (note_left && --note_left == 0) {
        begin_note();
    }
    lit = is_lit();
    if (flash_left) { /* a tick shows as a change, lit or dark */
        flash_left--;
        lit = !lit;
    }
    if (lit) {
        PORTB |= _BV(LAMP_PIN);
    } else {
        PORTB &= (uint8_t)~_BV(LAMP_PIN);
    }
}
