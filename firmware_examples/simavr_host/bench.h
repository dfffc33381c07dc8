/* What does the world around the board look like just now?  Set by the scenario, sensed by the parts. */
#ifndef BENCH_H
#define BENCH_H

#include <stdbool.h>
#include <stdint.h>

#include <simavr/sim_avr.h>

#define CLOCK_HZ 16000000.0
#define SUPPLY_V 5.0

enum cup_trouble { CUP_OK, CUP_OPEN, CUP_GROUND, CUP_SUPPLY, CUP_DEAD, CUP_FLOATING, CUP_FRAME };
enum room_trouble { ROOM_OK, ROOM_NACK, ROOM_CRC, ROOM_HANG, ROOM_FRAME };

typedef struct {
    avr_t *avr;
    double cup_c, junction_c;
    double pot_v;          /* at the transducer's output */
    double full_psi;       /* what the transducer reads at nine tenths of its supply */
    double noise_lsb;      /* rms noise at the converter, in its own steps */
    double hum_lsb, hum_hz; /* mains hum on top, its amplitude */
    double room_c, rh_pct;
    enum cup_trouble cup_trouble;
    uint32_t cup_frame;    /* with CUP_FRAME: these very bits */
    enum room_trouble room_trouble;
    uint64_t room_frame;   /* with ROOM_FRAME: these very six bytes */
    uint64_t dice;         /* state of the random numbers */
    uint32_t adc_samples, spi_frames, i2c_reads; /* how often the board looked */
} bench;

/* Wire each part to the board's pins. */
void thermo_part_attach(bench *b);
void humid_part_attach(bench *b);
void analog_part_attach(bench *b);

#endif
