/* What does a humidity sensor (SHT31) answer on the I2C bus?  Two words, each with its CRC-8 (its datasheet). */
#include <math.h>

#include <simavr/avr_twi.h>

#include "bench.h"

#define ADDRESS 0x44
#define MEASURE 0x2400u
#define TWCR_ADDRESS 0xBC
#define TWIE_BIT 1u
#define MEASURES_FOR_S 0.015 /* at high repeatability, the longest */

static bool is_ours;
static uint16_t command;
static int moved;
static bool has_measured;
static uint64_t ready_cycle;
static uint8_t answer[6];

/* Polynomial 0x31 from 0xFF, by table-free long division over 24 bits. */
static uint8_t checksum(uint16_t word)
{
    uint32_t rest = ((uint32_t)word << 8) ^ 0xFF0000u;

    for (int bit = 23; bit >= 8; bit--) {
        if (rest >> bit & 1u) {
            rest ^= 0x131u << (bit - 8);
        }
    }
    return (uint8_t)rest;
}

static uint16_t word_of(double share)
{
    double word = round(share * 65535.0);

    return word < 0.0 ? 0 : word > 65535.0 ? 65535 : (uint16_t)word;
}

static void measure(bench *b)
{
    uint16_t words[2] = {word_of((b->room_c + 45.0) / 175.0), word_of(b->rh_pct / 100.0)};

    for (int i = 0; i < 2; i++) {
        answer[3 * i] = (uint8_t)(words[i] >> 8);
        answer[3 * i + 1] = (uint8_t)words[i];
        answer[3 * i + 2] = checksum(words[i]);
    }
    for (int i = 0; b->room_trouble == ROOM_FRAME && i < 6; i++) {
        answer[i] = (uint8_t)(b->room_frame >> (40 - 8 * i));
    }
    if (b->room_trouble == ROOM_CRC) {
        answer[4] ^= 0x10u; /* a bit of the humidity, changed on the wire */
    }
    has_measured = true;
    ready_cycle = b->avr->cycle + (uint64_t)(MEASURES_FOR_S * CLOCK_HZ);
    b->i2c_reads++;
}

static void reply(bench *b, uint8_t message, uint8_t address, uint8_t byte)
{
    avr_raise_irq(avr_io_getirq(b->avr, AVR_IOCTL_TWI_GETIRQ(0), TWI_IRQ_INPUT),
                  avr_twi_irq_msg(message, address, byte));
}

/* Addressed: answers unless it is gone, or still measuring when it is to be read. */
static void on_address(bench *b, uint8_t address)
{
    bool is_read = address & 1;
    bool can = !is_read || (has_measured && b->avr->cycle >= ready_cycle);

    is_ours = address >> 1 == ADDRESS && b->room_trouble != ROOM_NACK && can;
    moved = 0;
    command = 0;
    if (b->room_trouble == ROOM_HANG) {
        b->avr->data[TWCR_ADDRESS] &= (uint8_t)~TWIE_BIT; /* the clock is held low: no transfer ever ends */
    }
    if (is_ours) {
        reply(b, TWI_COND_ACK, address, 1);
    }
}

static void on_message(avr_irq_t *irq, uint32_t value, void *param)
{
    bench *b = param;
    avr_twi_msg_irq_t message = {.u.v = value};
    uint8_t what = message.u.twi.msg, address = message.u.twi.addr;

    (void)irq;
    if (what & TWI_COND_STOP) {
        is_ours = false;
        return;
    }
    if (what & TWI_COND_START) {
        on_address(b, address);
        return;
    }
    if (!is_ours) {
        return;
    }
    if (what & TWI_COND_WRITE) {
        reply(b, TWI_COND_ACK, address, 1);
        command = (uint16_t)(command << 8 | message.u.twi.data);
        if (++moved == 2 && command == MEASURE) {
            measure(b);
        }
    } else if (what & TWI_COND_READ) {
        uint8_t byte = moved < 6 ? answer[moved] : 0xFF;

        moved++;
        has_measured = moved < 6;
        reply(b, TWI_COND_READ, address, byte);
    }
}

void humid_part_attach(bench *b)
{
    avr_irq_register_notify(avr_io_getirq(b->avr, AVR_IOCTL_TWI_GETIRQ(0), TWI_IRQ_OUTPUT), on_message, b);
}
