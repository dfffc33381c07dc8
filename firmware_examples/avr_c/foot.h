/* How did the foot tread?  Short, long, double: debounced, told apart and counted here, where no byte can be lost. */
#ifndef FOOT_H
#define FOOT_H

#include <stdint.h>

#define DEBOUNCE_SLOTS 4u /* 20 ms the same: contacts bounce for less (common practice, no source) */
#define LONG_SLOTS 120u   /* 0.6 s held is long, and told while still held */
#define DOUBLE_SLOTS 70u  /* a second tread within 0.35 s of the first one's end makes both a double */

typedef struct {
    uint32_t shorts, longs, doubles;
} foot_counts;

void foot_init(void);

/* Once each 5 ms slot.  1 when a press was counted just now. */
uint8_t foot_step(void);
foot_counts foot_told(void);

#endif
