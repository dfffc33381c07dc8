/* How warm is the cup?  MAX31855: one 32-bit frame over SPI, thermocouple and cold junction in it, and fault bits. */
#ifndef THERMO_H
#define THERMO_H

#include <avr/pgmspace.h>
#include <stdint.h>

typedef struct {
    int16_t cup_quarter_c;       /* 0.25 C each */
    int16_t junction_sixteenth_c; /* 0.0625 C each */
    PGM_P cup_fault;             /* what is wrong with the cup's reading, NULL when nothing */
    PGM_P junction_fault;
} thermo_reading;

void thermo_init(void);
thermo_reading thermo_read(void);

#endif
