/* How warm is the cup?
 *
 * The frame (datasheet tables 2 to 5), most significant bit first: D31..18 thermocouple, D17 always 0, D16 any fault,
 * D15..4 cold junction, D3 always 0, D2 short to supply, D1 short to ground, D0 open.
 */
#include "thermo.h"

#include <avr/io.h>

#include "board.h"

#define ANY_FAULT (1UL << 16)
#define ALWAYS_ZERO ((1UL << 17) | (1UL << 3))
#define ZEROS_SUSPECT 4u /* 0 C at the probe and 0 C at the chip is a legal frame, but four in a row is a dead wire */

void thermo_init(void)
{
    PORTB |= _BV(THERMO_CS_PIN);
    DDRB |= _BV(THERMO_CS_PIN) | _BV(THERMO_SCK_PIN) | _BV(THERMO_MOSI_PIN);
    SPCR = _BV(SPE) | _BV(MSTR); /* mode 0, 4 MHz: the chip goes to 5 */
}

static uint32_t frame(void)
{
    uint32_t bits = 0;

    PORTB &= (uint8_t)~_BV(THERMO_CS_PIN);
    for (uint8_t i = 0; i < 4; i++) {
        SPDR = 0;
        while (!(SPSR & _BV(SPIF))) {
        }
        bits = (bits << 8) | SPDR;
    }
    PORTB |= _BV(THERMO_CS_PIN);
    return bits;
}

static PGM_P cup_fault_of(uint32_t bits)
{
    if (bits & 1u) {
        return PSTR("open");
    }
    if (bits & 2u) {
        return PSTR("to ground");
    }
    if (bits & 4u) {
        return PSTR("to supply");
    }
    return (bits & ANY_FAULT) ? PSTR("fault") : 0;
}

thermo_reading thermo_read(void)
{
    static uint8_t zeros;
    uint32_t bits = frame();
    thermo_reading reading = {0, 0, 0, 0};

    zeros = bits ? 0 : (zeros < ZEROS_SUSPECT ? zeros + 1u : zeros);
    if ((bits & ALWAYS_ZERO) || zeros == ZEROS_SUSPECT) {
        reading.cup_fault = reading.junction_fault = PSTR("silent");
        return reading;
    }
    reading.cup_fault = cup_fault_of(bits);
    reading.cup_quarter_c = (int16_t)(bits >> 16) >> 2;
    reading.junction_sixteenth_c = (int16_t)bits >> 4;
    return reading;
}
