/* What time is it on the board, and what did the pressure input read on average? */
#ifndef TICK_H
#define TICK_H

#include <stdint.h>

typedef struct {
    uint32_t quarters; /* quarter seconds since boot: wraps after 34 years */
    uint8_t ms;        /* and milliseconds since the last one */
} up_time;

void tick_init(void);
up_time tick_up(void);

/* 5 ms slots since boot, modulo 256. */
uint8_t tick_slots(void);

/* The sum of the last quarter's SAMPLES_A_QUARTER samples (0..1023 each), once a quarter; 0 = not due yet. */
uint8_t tick_take_quarter(uint32_t *sum);

#endif
