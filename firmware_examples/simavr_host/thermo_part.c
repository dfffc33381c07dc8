/* What does a thermocouple amplifier (MAX31855) answer on the SPI bus?  Its datasheet's 32-bit frame, tables 2 to 5. */
#include <math.h>

#include <simavr/avr_ioport.h>
#include <simavr/avr_spi.h>

#include "bench.h"

#define CS_PORT 'B'
#define CS_PIN 2

static uint32_t latched;
static int bits_left;

static uint32_t bits_of(const bench *b)
{
    int32_t cup = (int32_t)lround(b->cup_c / 0.25), junction = (int32_t)lround(b->junction_c / 0.0625);
    uint32_t bits = ((uint32_t)cup & 0x3FFFu) << 18 | ((uint32_t)junction & 0xFFFu) << 4;

    switch (b->cup_trouble) {
    case CUP_OPEN:
        return bits | 1u << 16 | 1u;
    case CUP_GROUND:
        return bits | 1u << 16 | 2u;
    case CUP_SUPPLY:
        return bits | 1u << 16 | 4u;
    case CUP_DEAD:
        return 0;
    case CUP_FLOATING:
        return 0xFFFFFFFFu;
    case CUP_FRAME:
        return b->cup_frame;
    default:
        return bits;
    }
}

/* CS falls: the frame is latched, so that it is of one moment. */
static void on_select(avr_irq_t *irq, uint32_t level, void *param)
{
    bench *b = param;

    (void)irq;
    if (!level && bits_left == 0) {
        latched = bits_of(b);
        bits_left = 32;
        b->spi_frames++;
    } else if (level) {
        bits_left = 0;
    }
}

static void on_clocked(avr_irq_t *irq, uint32_t sent, void *param)
{
    bench *b = param;
    uint8_t answer = 0xFF; /* not selected: the wire floats high */

    (void)irq;
    (void)sent;
    if (bits_left >= 8) {
        bits_left -= 8;
        answer = (uint8_t)(latched >> bits_left);
    }
    avr_raise_irq(avr_io_getirq(b->avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_INPUT), answer);
}

void thermo_part_attach(bench *b)
{
    avr_irq_register_notify(avr_io_getirq(b->avr, AVR_IOCTL_IOPORT_GETIRQ(CS_PORT), CS_PIN), on_select, b);
    avr_irq_register_notify(avr_io_getirq(b->avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_OUTPUT), on_clocked, b);
}
