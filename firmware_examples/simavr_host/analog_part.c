/* What does the board's converter make of the transducer's volts?
 *
 * The simulator takes whole millivolts, a fifth of a step of the 10-bit converter: too coarse to study dither with.  So
 * the step is worked out here, noise included and rounded as the chip's datasheet has it (first transition at half a
 * step), and the millivolts that give just this step are handed over at the start of each conversion.
 */
#define _GNU_SOURCE
#include <math.h>

#include <simavr/avr_adc.h>

#include "bench.h"

#define STEPS 1024.0

/* Uniform in 0..1 (splitmix64's mixing constants are public domain). */
static double uniform(bench *b)
{
    uint64_t z = b->dice += 0x9E3779B97F4A7C15u;

    z = (z ^ z >> 30) * 0xBF58476D1CE4E5B9u;
    z = (z ^ z >> 27) * 0x94D049BB133111EBu;
    return (double)((z ^ z >> 31) >> 11) * 0x1p-53;
}

/* Near enough normal: twelve uniforms have a variance of one. */
static double normal(bench *b)
{
    double sum = -6.0;

    for (int i = 0; i < 12; i++) {
        sum += uniform(b);
    }
    return sum;
}

static void on_conversion(avr_irq_t *irq, uint32_t mux, void *param)
{
    bench *b = param;
    double noise = b->noise_lsb > 0.0 ? b->noise_lsb * normal(b) : 0.0;
    double hum = b->hum_lsb * sin(2.0 * M_PI * b->hum_hz * (double)b->avr->cycle / CLOCK_HZ);
    double step = floor(b->pot_v / SUPPLY_V * STEPS + noise + hum + 0.5);

    (void)irq;
    (void)mux;
    step = step < 0.0 ? 0.0 : step > STEPS - 1.0 ? STEPS - 1.0 : step;
    b->adc_samples++;
    avr_raise_irq(avr_io_getirq(b->avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0),
                  (uint32_t)ceil(step * SUPPLY_V * 1000.0 / (STEPS - 1.0)));
}

void analog_part_attach(bench *b)
{
    b->avr->vcc = b->avr->avcc = b->avr->aref = (uint32_t)(SUPPLY_V * 1000.0);
    avr_irq_register_notify(avr_io_getirq(b->avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), on_conversion, b);
}
