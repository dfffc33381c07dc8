/* What does a row of the scenario do to the bench, the foot switch and the wire? */
#define _GNU_SOURCE
#include "play.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>

#include "port.h"
#include "scenario.h"

#define FOOT_PIN 2
#define EXTRF_BIT 2u
#define BORF_BIT 4u
#define BYTES_A_S 10600.0 /* the simulated UART takes eleven bits a byte: 10695 a second at the chip's nearest rate */
#define EDGES_MOST 64
#define QUEUE_MOST 8192

typedef struct {
    double at_s;
    bool is_down;
} edge;

static edge edges[EDGES_MOST];
static int edge_count;
static bool foot_is_down;
static double bounce_until_s;
static char queue[QUEUE_MOST];
static size_t queue_head, queue_tail;
static double next_byte_s;

static void set_foot(bench *b, bool is_down)
{
    avr_ioport_external_t pins = {.name = 'D', .mask = 1u << FOOT_PIN, .value = is_down ? 0 : 1u << FOOT_PIN};

    avr_ioctl(b->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &pins);
    avr_raise_irq(avr_io_getirq(b->avr, AVR_IOCTL_IOPORT_GETIRQ('D'), FOOT_PIN), !is_down);
}

void play_pins_again(bench *b)
{
    set_foot(b, !foot_is_down);
    set_foot(b, foot_is_down);
}

/* "0.15+0.2+0.15": down, up, down, seconds each; up at the end. */
static void plan_press(const char *cell, double t_s)
{
    bool is_down = true;
    char *rest;

    for (const char *at = cell; *at; at = *rest == '+' ? rest + 1 : rest) {
        double for_s = strtod(at, &rest);

        if (rest == at || edge_count + 2 > EDGES_MOST) {
            fprintf(stderr, "press_s not understood: %s\n", cell);
            exit(2);
        }
        edges[edge_count++] = (edge){t_s, is_down};
        t_s += for_s;
        is_down = !is_down;
    }
    edges[edge_count++] = (edge){t_s, false};
}

/* The contact's present level: while it bounces it changes each half millisecond. */
static void move_foot(bench *b, double t_s, double bounce_s)
{
    while (edge_count && edges[0].at_s <= t_s) {
        foot_is_down = edges[0].is_down;
        bounce_until_s = edges[0].at_s + bounce_s;
        memmove(edges, edges + 1, sizeof *edges * (size_t)--edge_count);
        set_foot(b, foot_is_down);
    }
    if (bounce_until_s > 0.0) {
        bool is_over = t_s >= bounce_until_s;

        set_foot(b, is_over ? foot_is_down : foot_is_down ^ ((long)(t_s * 2000.0) & 1));
        bounce_until_s = is_over ? 0.0 : bounce_until_s;
    }
}

static void queue_bytes(const char *bytes, size_t size)
{
    if (queue_head == queue_tail) {
        queue_head = queue_tail = 0;
    }
    if (queue_head + size > QUEUE_MOST) {
        fprintf(stderr, "too many bytes for the board at once\n");
        exit(2);
    }
    memcpy(queue + queue_head, bytes, size);
    queue_head += size;
}

/* No faster than the wire. */
static void feed_board(bench *b, double t_s)
{
    if (queue_head == queue_tail) {
        queue_head = queue_tail = 0;
        queue_head += port_receive(queue, QUEUE_MOST / 2);
    }
    next_byte_s = next_byte_s < t_s - 0.001 ? t_s : next_byte_s;
    while (queue_tail < queue_head && next_byte_s <= t_s) {
        avr_raise_irq(avr_io_getirq(b->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), (uint8_t)queue[queue_tail++]);
        next_byte_s += 1.0 / BYTES_A_S;
    }
}

static void do_fault(bench *b, const char *word)
{
    static const struct { const char *word; int what; } CUP[] = {
        {"cup:ok", CUP_OK}, {"cup:open", CUP_OPEN}, {"cup:ground", CUP_GROUND}, {"cup:supply", CUP_SUPPLY},
        {"cup:dead", CUP_DEAD}, {"cup:floating", CUP_FLOATING},
    }, ROOM[] = {
        {"room:ok", ROOM_OK}, {"room:nack", ROOM_NACK}, {"room:crc", ROOM_CRC}, {"room:hang", ROOM_HANG},
    };

    for (size_t i = 0; i < sizeof CUP / sizeof *CUP; i++) {
        if (strcmp(word, CUP[i].word) == 0) {
            b->cup_trouble = (enum cup_trouble)CUP[i].what;
            return;
        }
    }
    for (size_t i = 0; i < sizeof ROOM / sizeof *ROOM; i++) {
        if (strcmp(word, ROOM[i].word) == 0) {
            b->room_trouble = (enum room_trouble)ROOM[i].what;
            return;
        }
    }
    if (strncmp(word, "cup:frame=", 10) == 0) {
        b->cup_trouble = CUP_FRAME;
        b->cup_frame = (uint32_t)strtoul(word + 10, NULL, 16);
    } else if (strncmp(word, "room:frame=", 11) == 0) {
        b->room_trouble = ROOM_FRAME;
        b->room_frame = strtoull(word + 11, NULL, 16);
    } else if (strcmp(word, "board:reset") == 0) {
        board_reset(b, EXTRF_BIT);
    } else if (strcmp(word, "board:brown-out") == 0) {
        board_reset(b, BORF_BIT);
    } else if (strcmp(word, "board:hang") == 0) {
        board_hang(b);
    } else if (strcmp(word, "line:lose") == 0) {
        port_lose_line();
    } else if (strcmp(word, "line:damage") == 0) {
        port_damage_line();
    } else {
        fprintf(stderr, "no such fault: %s\n", word);
        exit(2);
    }
}

static void do_row(bench *b, const row *r)
{
    const char *const *cell = r->cell;

    b->cup_c = cell[CUP_C] ? atof(cell[CUP_C]) : b->cup_c;
    b->junction_c = cell[COLD_JUNCTION_C] ? atof(cell[COLD_JUNCTION_C]) : b->junction_c;
    b->pot_v = cell[POT_PSI] ? SUPPLY_V * (0.1 + 0.8 * atof(cell[POT_PSI]) / b->full_psi) : b->pot_v;
    b->pot_v = cell[POT_V] ? atof(cell[POT_V]) : b->pot_v;
    b->room_c = cell[ROOM_C] ? atof(cell[ROOM_C]) : b->room_c;
    b->rh_pct = cell[RH_PCT] ? atof(cell[RH_PCT]) : b->rh_pct;
    if (cell[PRESS_S]) {
        plan_press(cell[PRESS_S], r->t_s);
    }
    if (cell[FAULT]) {
        char *words = strdup(cell[FAULT]), *rest = words;

        for (char *word; (word = strsep(&rest, "+"));) {
            do_fault(b, word);
        }
        free(words);
    }
    if (cell[ORDER]) {
        queue_bytes(cell[ORDER], strlen(cell[ORDER]));
        queue_bytes("\n", 1);
    }
}

void play_until(bench *b, double t_s, double bounce_s)
{
    for (const row *r = scenario_due(t_s); r; r = scenario_due(t_s)) {
        do_row(b, r);
    }
    move_foot(b, t_s, bounce_s);
    feed_board(b, t_s);
}
