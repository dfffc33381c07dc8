/* What pressure do the transducer's volts mean? */
#ifndef PRESSURE_H
#define PRESSURE_H

#include <avr/pgmspace.h>
#include <stdint.h>

/* Pa gauge of a quarter's sum of samples; *fault is what is wrong (the number means nothing then) or NULL. */
int32_t pressure_pa(uint32_t sum, PGM_P *fault);

#endif
