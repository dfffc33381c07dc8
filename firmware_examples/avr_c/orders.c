/* What does the daemon want of lamp and buzzer?
 *
 * A line is read wholly or refused wholly: checksum first, then every record, and only then is anything done.
 */
#include "orders.h"

#include <string.h>

#include "board.h"
#include "crc.h"
#include "signals.h"
#include "uart.h"

#define TRAILER_BYTES 9u /* a space and eight digits */
#define NOTE_MS_MOST 5000u

typedef struct {
    uint8_t has_lamp, lamp;
    uint8_t note_count;
    uint8_t has_tick;
    note notes[NOTES_MOST];
} order;

static char line[ORDER_MOST + 1u];
static uint8_t length;
static uint8_t is_too_long;
static uint32_t taken;
static PGM_P refusal;
static const char *at; /* where reading of the line stands */

static uint8_t take(PGM_P text)
{
    size_t size = strlen_P(text);

    if (strncmp_P(at, text, size) != 0) {
        return 0;
    }
    at += size;
    return 1;
}

/* One to five digits, no needless zero in front; UINT16_MAX when it is not that. */
static uint16_t take_number(void)
{
    uint32_t value = 0;
    uint8_t digits = 0;
    const char *begin = at;

    while (*at >= '0' && *at <= '9' && digits < 5u) {
        value = value * 10u + (uint8_t)(*at++ - '0');
        digits++;
    }
    return digits == 0 || (digits > 1u && *begin == '0') || value > UINT16_MAX ? UINT16_MAX : (uint16_t)value;
}

/* "880:200,0:100": hertz and milliseconds of each note, 0 Hz a rest. */
static uint8_t take_notes(order *found)
{
    do {
        note *next = &found->notes[found->note_count];
        uint16_t ms;

        if (found->note_count == NOTES_MOST) {
            return 0;
        }
        next->hz = take_number();
        if (!take(PSTR(":"))) {
            return 0;
        }
        ms = take_number();
        next->slots = (uint16_t)((ms + SLOT_MS - 1u) / SLOT_MS);
        if ((next->hz && next->hz < HZ_LEAST) || next->hz > HZ_MOST || ms == 0 || ms > NOTE_MS_MOST) {
            return 0;
        }
        found->note_count++;
    } while (take(PSTR(",")));
    return take(PSTR("\""));
}

static uint8_t take_record(order *found)
{
    uint16_t value;

    if (take(PSTR("\"n\":\"lamp\",\"v\":"))) {
        value = take_number();
        if (found->has_lamp || value >= LAMP_MODES) {
            return 0;
        }
        found->has_lamp = 1;
        found->lamp = (uint8_t)value;
        return take(PSTR("}"));
    }
    if (take(PSTR("\"n\":\"tone\",\"vs\":\""))) {
        return !found->note_count && take_notes(found) && take(PSTR("}"));
    }
    if (take(PSTR("\"n\":\"tick\",\"v\":1}"))) {
        return !found->has_tick && (found->has_tick = 1);
    }
    return 0;
}

static uint8_t take_line(order *found)
{
    at = line;
    if (!take(PSTR("[{\"bn\":\"" BASE_NAME "\","))) {
        return 0;
    }
    do {
        if (!take_record(found)) {
            return 0;
        }
    } while (take(PSTR(",{")));
    return take(PSTR("]")) && *at == '\0';
}

/* Is the trailer right?  Cuts it off. */
static uint8_t is_whole(void)
{
    uint32_t crc = CRC32_BEGIN, told = 0;
    uint8_t body;

    if (length <= TRAILER_BYTES) {
        return 0;
    }
    body = length - TRAILER_BYTES;
    for (uint8_t i = 0; i < body; i++) {
        crc = crc32_feed(crc, (uint8_t)line[i]);
    }
    for (uint8_t i = body + 1u; i < length; i++) {
        char c = line[i];

        if (!((c >= '0' && c <= '9') || (c >= 'a' && c <= 'f'))) {
            return 0;
        }
        told = (told << 4) | (uint8_t)(c <= '9' ? c - '0' : c - 'a' + 10);
    }
    if (line[body] != ' ' || told != ~crc) {
        return 0;
    }
    line[body] = '\0';
    return 1;
}

static void obey(const order *found)
{
    signals_heard();
    if (found->has_lamp) {
        signals_lamp(found->lamp);
    }
    if (found->note_count) {
        signals_play(found->notes, found->note_count);
    }
    if (found->has_tick) {
        signals_tick();
    }
    taken++;
}

static void judge(void)
{
    order found;

    memset(&found, 0, sizeof found);
    if (is_too_long) {
        refusal = PSTR("too long");
    } else if (!is_whole()) {
        refusal = PSTR("checksum");
    } else if (!take_line(&found)) {
        refusal = PSTR("not understood");
    } else {
        obey(&found);
    }
}

void orders_step(void)
{
    for (int16_t c = uart_get(); c >= 0; c = uart_get()) {
        if (c == '\n') {
            if (length && line[length - 1u] == '\r') {
                length--;
            }
            if (length || is_too_long) {
                judge();
            }
            length = 0;
            is_too_long = 0;
        } else if (length < ORDER_MOST && c != '\0') {
            line[length++] = (char)c;
        } else {
            is_too_long = 1;
        }
    }
}

uint32_t orders_taken(void)
{
    return taken;
}

PGM_P orders_take_refusal(void)
{
    PGM_P why = refusal;

    refusal = 0;
    return why;
}
