/* How is a line to the daemon written? */
#include "line.h"

#include "board.h"
#include "crc.h"
#include "tick.h"
#include "uart.h"

#define DIGITS_MOST 10u

static const uint32_t POWERS[DIGITS_MOST] PROGMEM = {
    1, 10, 100, 1000, 10000, 100000, 1000000, 10000000, 100000000, 1000000000,
};

static uint32_t crc;
static uint32_t next_seq;

static void say(char c)
{
    crc = crc32_feed(crc, (uint8_t)c);
    uart_put(c);
}

static void say_text(PGM_P text)
{
    for (char c = (char)pgm_read_byte(text); c; c = (char)pgm_read_byte(++text)) {
        say(c);
    }
}

/* Digits by subtraction: the chip has no divider. */
static void say_number(uint32_t scaled, uint8_t decimals)
{
    uint8_t begun = 0;

    for (uint8_t place = DIGITS_MOST; place-- > 0;) {
        uint32_t power = pgm_read_dword(&POWERS[place]);
        char digit = '0';

        while (scaled >= power) {
            scaled -= power;
            digit++;
        }
        if (begun || digit != '0' || place <= decimals) {
            begun = 1;
            say(digit);
            if (place == decimals && decimals) {
                say('.');
            }
        }
    }
}

static void say_name(PGM_P name, PGM_P unit)
{
    say_text(PSTR(",{\"n\":\""));
    say_text(name);
    if (unit) {
        say_text(PSTR("\",\"u\":\""));
        say_text(unit);
    }
    say_text(PSTR("\",\"v\":"));
}

uint8_t line_has_room(void)
{
    return uart_room() >= LINE_MOST;
}

void line_begin(void)
{
    up_time up = tick_up();

    crc = CRC32_BEGIN;
    say_text(PSTR("[{\"bn\":\"" BASE_NAME "\",\"n\":\"seq\",\"v\":"));
    say_number(next_seq++, 0);
    say_text(PSTR("},{\"n\":\"up\",\"u\":\"s\",\"v\":"));
    say_number(up.quarters >> 2, 0);
    say('.');
    for (uint16_t ms = (uint16_t)(up.quarters & 3u) * 250u + up.ms, power = 100; power; power /= 10) {
        say((char)('0' + ms / power % 10u));
    }
    say('}');
}

void line_number(PGM_P name, PGM_P unit, int32_t scaled, uint8_t decimals)
{
    say_name(name, unit);
    if (scaled < 0) {
        say('-');
    }
    say_number(scaled < 0 ? -(uint32_t)scaled : (uint32_t)scaled, decimals);
    say('}');
}

void line_count(PGM_P name, uint32_t count)
{
    say_name(name, 0);
    say_number(count, 0);
    say('}');
}

void line_fault(PGM_P channel, PGM_P what)
{
    say_text(PSTR(",{\"n\":\"fault\",\"vs\":\""));
    say_text(channel);
    say(' ');
    say_text(what);
    say_text(PSTR("\"}"));
}

void line_end(void)
{
    uint32_t sum;

    say(']');
    sum = ~crc;
    uart_put(' ');
    for (uint8_t shift = 32; shift; shift -= 4) {
        uint8_t nibble = (uint8_t)(sum >> (shift - 4)) & 15u;

        uart_put((char)(nibble < 10 ? '0' + nibble : 'a' + nibble - 10));
    }
    uart_put('\n');
}

void line_comment(PGM_P head, PGM_P text)
{
    say_text(PSTR("# "));
    say_text(head);
    say_text(text);
    uart_put('\n');
}
