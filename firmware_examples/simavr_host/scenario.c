/* What happens when? */
#define _GNU_SOURCE
#include "scenario.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *const NAMES[COLUMNS] = {
    "t_s", "cup_c", "cold_junction_c", "pot_psi", "pot_v", "room_c", "rh_pct", "press_s", "fault", "order",
};

static char *text;
static row *rows;
static size_t row_count, next_row;

static void refuse(const char *path, size_t line, const char *why, const char *what)
{
    fprintf(stderr, "%s:%zu: %s %s\n", path, line, why, what);
    exit(2);
}

/* Cut one field off *at (RFC 4180 quoting), NULL when empty; *is_last = the line ends here. */
static char *field(char **at, bool *is_last)
{
    char *begin = *at, *from = begin, *to = begin;

    if (*from == '"') {
        for (from++; *from && !(from[0] == '"' && from[1] != '"'); from++) {
            from += from[0] == '"';
            *to++ = *from;
        }
        from += *from == '"';
    } else {
        while (*from && *from != ',' && *from != '\n' && *from != '\r') {
            *to++ = *from++;
        }
    }
    from += *from == '\r';
    *is_last = *from != ',';
    *at = *from ? from + 1 : from;
    *to = '\0';
    return *begin ? begin : NULL;
}

static void read_file(const char *path)
{
    FILE *file = fopen(path, "rb");
    size_t size = 0;

    if (!file) {
        perror(path);
        exit(2);
    }
    for (size_t got = 1; got; size += got) {
        text = realloc(text, size + 65537);
        got = fread(text + size, 1, 65536, file);
    }
    text[size] = '\0';
    fclose(file);
}

static int column_of(const char *name)
{
    for (int c = 0; c < COLUMNS; c++) {
        if (name && strcmp(NAMES[c], name) == 0) {
            return c;
        }
    }
    return -1;
}

static int read_head(const char *path, char **at, int *columns)
{
    int count = 0;

    for (bool is_last = false; !is_last;) {
        const char *name = field(at, &is_last);
        int column = column_of(name);

        if (column < 0 || count == COLUMNS) {
            refuse(path, 1, "no such column:", name ? name : "(empty)");
        }
        columns[count++] = column;
    }
    return count;
}

static void read_row(const char *path, size_t line, char **at, const int *columns, int count, row *into)
{
    bool is_last = false;

    memset(into, 0, sizeof *into);
    for (int i = 0; !is_last; i++) {
        const char *cell = field(at, &is_last);

        if (i >= count) {
            refuse(path, line, "more cells than columns", "");
        }
        into->cell[columns[i]] = cell;
    }
    if (!into->cell[T_S]) {
        refuse(path, line, "no t_s", "");
    }
    into->t_s = atof(into->cell[T_S]);
    if (line > 2 && into->t_s < into[-1].t_s) {
        refuse(path, line, "t_s goes back:", into->cell[T_S]);
    }
}

void scenario_load(const char *path)
{
    int columns[COLUMNS], count;
    size_t room = 0;
    char *at;

    read_file(path);
    at = text;
    count = read_head(path, &at, columns);
    while (*at) {
        if (row_count == room) {
            room = room ? room * 2 : 1024;
            rows = realloc(rows, room * sizeof *rows);
        }
        read_row(path, row_count + 2, &at, columns, count, &rows[row_count]);
        row_count++;
    }
    if (!row_count) {
        refuse(path, 2, "no rows", "");
    }
}

const row *scenario_due(double t_s)
{
    return next_row < row_count && rows[next_row].t_s <= t_s ? &rows[next_row++] : NULL;
}

double scenario_end_s(void)
{
    return rows[row_count - 1].t_s;
}
