/* What happens when?  A CSV file, a row a moment; an empty cell leaves a thing as it was. */
#ifndef SCENARIO_H
#define SCENARIO_H

#include <stdbool.h>

enum column {
    T_S, CUP_C, COLD_JUNCTION_C, POT_PSI, POT_V, ROOM_C, RH_PCT, PRESS_S, FAULT, ORDER, COLUMNS
};

typedef struct {
    double t_s;
    const char *cell[COLUMNS]; /* NULL: empty, or no such column */
} row;

/* Read a file whole.  Exits, naming the line, when it is no scenario. */
void scenario_load(const char *path);

/* The next row if it is due at t_s, NULL otherwise. */
const row *scenario_due(double t_s);
double scenario_end_s(void);

#endif
