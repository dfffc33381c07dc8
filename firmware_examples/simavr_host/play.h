/* What does a row of the scenario do to the bench, the foot switch and the wire? */
#ifndef PLAY_H
#define PLAY_H

#include "bench.h"

/* Do everything that is due; call often.  bounce_s: how long contacts bounce after each change. */
void play_until(bench *b, double t_s, double bounce_s);

/* The board was reset: pins are as the world has them, not as the simulator left them. */
void play_pins_again(bench *b);

/* Reset the board for a cause (a bit of MCUSR, which the simulator leaves at 0). */
void board_reset(bench *b, uint8_t cause);
void board_hang(bench *b);

#endif
