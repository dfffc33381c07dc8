/* What do lamp and buzzer show and sound?  Tones are measured at the pin, edges over time. */
#include "signals_part.h"

#include <stdio.h>
#include <stdlib.h>

#include <simavr/avr_ioport.h>

#define LAMP_PORT 'B'
#define LAMP_PIN 0
#define BUZZER_PORT 'D'
#define BUZZER_PIN 3
#define GAP_CYCLES 128000u /* 8 ms without an edge: the tone was over (its lowest pitch has one each 3.3 ms) */

static FILE *trace;
static int lamp = -1, buzzer;
static uint64_t first_edge, last_edge;
static unsigned edges;
static uint64_t usual_gap;

static void end_tone(void)
{
    double for_s = (double)(last_edge - first_edge) / CLOCK_HZ;

    if (edges > 1 && trace) {
        fprintf(trace, "%.4f,tone,%.1f,%.1f\n", (double)first_edge / CLOCK_HZ, (edges - 1) / for_s / 2.0,
                for_s * 1000.0);
    }
    edges = 0;
    usual_gap = 0;
}

static void on_lamp(avr_irq_t *irq, uint32_t level, void *param)
{
    bench *b = param;

    (void)irq;
    if (trace && (int)level != lamp) {
        fprintf(trace, "%.4f,lamp,%u\n", (double)b->avr->cycle / CLOCK_HZ, level);
    }
    lamp = (int)level;
}

/* A gap of another length than the one before is another tone. */
static void on_buzzer(avr_irq_t *irq, uint32_t level, void *param)
{
    bench *b = param;
    uint64_t now = b->avr->cycle, gap = now - last_edge;

    (void)irq;
    level &= 1u; /* the timer's output says in a higher bit that it is one */
    if ((int)level == buzzer) {
        return;
    }
    buzzer = (int)level;
    if (edges && (gap > GAP_CYCLES || (usual_gap && (gap > usual_gap * 5 / 4 || gap < usual_gap * 3 / 4)))) {
        end_tone();
    }
    if (edges++ == 0) {
        first_edge = now;
    } else {
        usual_gap = gap;
    }
    last_edge = now;
}

void signals_part_attach(bench *b, const char *path)
{
    if (path && !(trace = fopen(path, "w"))) {
        perror(path);
        exit(2);
    }
    avr_irq_register_notify(avr_io_getirq(b->avr, AVR_IOCTL_IOPORT_GETIRQ(LAMP_PORT), LAMP_PIN), on_lamp, b);
    avr_irq_register_notify(avr_io_getirq(b->avr, AVR_IOCTL_IOPORT_GETIRQ(BUZZER_PORT), BUZZER_PIN), on_buzzer, b);
}

void signals_part_end(void)
{
    end_tone();
    if (trace) {
        fclose(trace);
    }
}
