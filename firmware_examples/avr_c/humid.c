/* How damp and how warm is the room?
 *
 * The bus runs by interrupt, so the board never waits for it.  A transfer that has not ended by the next step hangs:
 * the bus is freed by nine clocks (I2C specification UM10204, 3.1.16) and begun anew.
 */
#include "humid.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/delay.h>

#include "board.h"
#include "crc.h"

#define ADDRESS 0x44u
#define FRAME_BYTES 6u
#define GO (_BV(TWINT) | _BV(TWEN) | _BV(TWIE))

enum { IDLE, BUSY, DONE, REFUSED, BROKEN };

static const uint8_t MEASURE[2] = {0x24, 0x00}; /* once, high repeatability, no clock stretching */

static volatile uint8_t state;
static volatile uint8_t is_reading;
static volatile uint8_t moved;
static volatile uint8_t received[FRAME_BYTES];
static uint8_t was_asked; /* the request itself went well */
static PGM_P trouble;

void humid_init(void)
{
    PORTC |= _BV(SDA_PIN) | _BV(SCL_PIN);
    TWSR = 0;
    TWBR = (F_CPU / 100000u - 16u) / 2u; /* 100 kHz */
    TWCR = _BV(TWEN);
}

static void stop(uint8_t how)
{
    TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTO);
    state = how;
}

ISR(TWI_vect)
{
    switch (TWSR & 0xF8u) {
    case 0x08: /* started */
    case 0x10:
        TWDR = (uint8_t)(ADDRESS << 1) | is_reading;
        TWCR = GO;
        break;
    case 0x18: /* address acknowledged */
    case 0x28: /* data acknowledged */
        if (moved < sizeof MEASURE) {
            TWDR = MEASURE[moved++];
            TWCR = GO;
        } else {
            stop(DONE);
        }
        break;
    case 0x40: /* will send */
        TWCR = GO | _BV(TWEA);
        break;
    case 0x50: /* a byte came, acknowledged */
        received[moved++] = TWDR;
        TWCR = moved < FRAME_BYTES - 1u ? GO | _BV(TWEA) : GO;
        break;
    case 0x58: /* the last byte came */
        received[moved++] = TWDR;
        stop(moved == FRAME_BYTES ? DONE : BROKEN);
        break;
    case 0x20: /* not acknowledged */
    case 0x30:
    case 0x48:
        stop(REFUSED);
        break;
    default: /* bus error, arbitration lost */
        stop(BROKEN);
        break;
    }
}

static void begin(uint8_t reading)
{
    is_reading = reading;
    moved = 0;
    state = BUSY;
    TWCR = GO | _BV(TWSTA);
}

static void free_bus(void)
{
    TWCR = 0;
    for (uint8_t clock = 0; clock < 9; clock++) {
        PORTC &= (uint8_t)~_BV(SCL_PIN);
        DDRC |= _BV(SCL_PIN);
        _delay_us(5);
        DDRC &= (uint8_t)~_BV(SCL_PIN);
        PORTC |= _BV(SCL_PIN);
        _delay_us(5);
    }
    TWCR = _BV(TWEN);
}

/* How did the last transfer end?  NULL when well. */
static PGM_P outcome(void)
{
    if (state == BUSY) {
        free_bus();
        return PSTR("hung");
    }
    return state == DONE ? 0 : state == REFUSED ? PSTR("nack") : PSTR("bus");
}

void humid_ask(void)
{
    begin(0);
}

void humid_fetch(void)
{
    trouble = outcome();
    was_asked = !trouble;
    if (was_asked) {
        begin(1);
    }
}

static uint16_t word_at(uint8_t at)
{
    return (uint16_t)(received[at] << 8) | received[at + 1u];
}

/* word * span / 65535, rounded, as in the datasheet */
static uint16_t share(uint16_t word, uint16_t span)
{
    return (uint16_t)(((uint32_t)word * span + 32767u) / 65535u);
}

humid_reading humid_look(void)
{
    humid_reading reading = {0, 0, 0};

    if (was_asked) {
        trouble = outcome();
    }
    if (!trouble) {
        uint8_t bytes[FRAME_BYTES];

        for (uint8_t i = 0; i < FRAME_BYTES; i++) {
            bytes[i] = received[i];
        }
        if (crc8(bytes, 2) != bytes[2] || crc8(bytes + 3, 2) != bytes[5]) {
            trouble = PSTR("crc");
        }
    }
    reading.fault = trouble;
    reading.room_centi_c = (int16_t)share(word_at(0), 17500u) - 4500;
    reading.rh_centi_pct = share(word_at(3), 10000u);
    return reading;
}
