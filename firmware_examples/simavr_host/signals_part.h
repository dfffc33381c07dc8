/* What do lamp and buzzer show and sound?  A trace of it, for tests. */
#ifndef SIGNALS_PART_H
#define SIGNALS_PART_H

#include "bench.h"

/* Writes "t_s,lamp,0|1" at each change and "t_s,tone,HZ,MS" after each tone; path NULL = no trace. */
void signals_part_attach(bench *b, const char *path);
void signals_part_end(void);

#endif
