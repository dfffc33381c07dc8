/* Why did the board start, and what restarts it when its program hangs? */
#ifndef RESET_H
#define RESET_H

#include <avr/pgmspace.h>

PGM_P reset_cause(void);
void watchdog_start(void);

/* Only a reading that was made feeds it: a program that still runs but no longer measures is hung as well. */
void watchdog_feed(void);

#endif
