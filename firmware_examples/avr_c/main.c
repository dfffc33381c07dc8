/* What does the board do, all day?
 *
 * Four times a second one line: cup and pot always; once a second the room; once a second the cold junction.  Press
 * counts go in a line of their own, at boot, at once when a foot trod, and every four seconds so that none is lost for
 * long.  Between interrupts the chip sleeps.
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include "board.h"
#include "foot.h"
#include "humid.h"
#include "line.h"
#include "orders.h"
#include "pressure.h"
#include "reset.h"
#include "signals.h"
#include "thermo.h"
#include "tick.h"
#include "uart.h"

#define COUNTS_EVERY 16u /* quarters */
#define DIGITS_OF(number) #number
#define DIGITS(macro) DIGITS_OF(macro)

static uint8_t quarter;     /* since boot, modulo 256 */
static uint8_t counts_due;  /* a line of press counts is to be sent */
static uint8_t scale_due;   /* and the full scale */
static uint8_t reading_due;
static uint32_t pressure_sum;

static void add_cup(const thermo_reading *thermo)
{
    if (thermo->cup_fault) {
        line_fault(PSTR("cup"), thermo->cup_fault);
    } else {
        line_number(PSTR("cup"), PSTR("Cel"), (int32_t)thermo->cup_quarter_c * 25, 2);
    }
}

static void add_pot(void)
{
    PGM_P fault;
    int32_t pa = pressure_pa(pressure_sum, &fault);

    if (fault) {
        line_fault(PSTR("pot"), fault);
    } else {
        line_number(PSTR("pot"), PSTR("Pa"), pa, 0);
    }
}

static void add_room(void)
{
    humid_reading humid = humid_look();

    if (humid.fault) {
        line_fault(PSTR("room"), humid.fault);
        line_fault(PSTR("rh"), humid.fault);
    } else {
        line_number(PSTR("room"), PSTR("Cel"), humid.room_centi_c, 2);
        line_number(PSTR("rh"), PSTR("%RH"), humid.rh_centi_pct, 2);
    }
}

static void add_junction(const thermo_reading *thermo)
{
    if (thermo->junction_fault) {
        line_fault(PSTR("cj"), thermo->junction_fault);
    } else {
        line_number(PSTR("cj"), PSTR("Cel"), (int32_t)thermo->junction_sixteenth_c * 625, 4);
    }
}

/* The room's sensor takes its time: asked in one quarter, fetched in the next, told in the third. */
static void send_reading(void)
{
    thermo_reading thermo = thermo_read();

    line_begin();
    add_cup(&thermo);
    add_pot();
    switch (quarter++ & 3u) {
    case 0:
        humid_ask();
        break;
    case 1:
        humid_fetch();
        break;
    case 2:
        add_room();
        break;
    default:
        add_junction(&thermo);
        break;
    }
    line_end();
    watchdog_feed();
    counts_due |= quarter % COUNTS_EVERY == 0;
    scale_due |= quarter % COUNTS_EVERY == 0;
}

/* At boot, and with the counts for who begins to listen later: `benchd check` compares it with the bench's file. */
static void say_full_scale(void)
{
    line_comment(PSTR("full scale: " BASE_NAME "pot " DIGITS(POT_FULL_PA) " Pa"), PSTR(""));
}

static void send_counts(void)
{
    foot_counts counts = foot_told();

    line_begin();
    line_count(PSTR("press-short"), counts.shorts);
    line_count(PSTR("press-long"), counts.longs);
    line_count(PSTR("press-double"), counts.doubles);
    line_count(PSTR("orders"), orders_taken());
    line_end();
}

/* What waits to be said, one line at a time, and only when the whole line fits: nothing here ever waits. */
static void speak(void)
{
    if (!line_has_room()) {
        return;
    }
    if (counts_due) {
        counts_due = 0;
        send_counts();
    } else if (reading_due) {
        reading_due = 0;
        send_reading();
    } else if (scale_due) {
        scale_due = 0;
        say_full_scale();
    } else {
        PGM_P why = orders_take_refusal();

        if (why) {
            line_comment(PSTR("order refused: "), why);
        }
    }
}

int main(void)
{
    uint8_t slot = 0;

    uart_init();
    foot_init();
    signals_init();
    thermo_init();
    humid_init();
    tick_init();
    line_comment(PSTR("bench board " BASE_NAME " in C boots"), PSTR(""));
    line_comment(PSTR("reset: "), reset_cause());
    counts_due = scale_due = 1;
    watchdog_start();
    set_sleep_mode(SLEEP_MODE_IDLE);
    sleep_enable();
    sei();
    for (;;) {
        while (slot == tick_slots()) {
            sleep_cpu(); /* 2000 samples a second wake it, 200 slots a second keep it awake */
        }
        while (slot != tick_slots()) {
            slot++;
            signals_step();
            counts_due |= foot_step();
        }
        orders_step();
        reading_due |= tick_take_quarter(&pressure_sum);
        speak();
    }
}
