/* Why did the board start, and what restarts it when its program hangs? */
#include "reset.h"

#include <avr/io.h>
#include <avr/wdt.h>
#include <stdint.h>

static uint8_t flags __attribute__((section(".noinit")));

/* Before anything else: after its own reset the watchdog still runs, at its shortest. */
void keep_flags(void) __attribute__((naked, used, section(".init3")));
void keep_flags(void)
{
    flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

PGM_P reset_cause(void)
{
    if (flags & _BV(PORF)) {
        return PSTR("power on");
    }
    if (flags & _BV(WDRF)) {
        return PSTR("watchdog");
    }
    if (flags & _BV(BORF)) {
        return PSTR("brown-out");
    }
    return (flags & _BV(EXTRF)) ? PSTR("reset pin") : PSTR("not told"); /* a bootloader may have cleared them */
}

void watchdog_start(void)
{
    wdt_enable(WDTO_1S);
}

void watchdog_feed(void)
{
    wdt_reset();
}
