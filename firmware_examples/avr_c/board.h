/* Which pin does what, and how often?  Everything one changes for another wiring stands here.
 *
 * ATmega328P, 16 MHz crystal, 5 V.  D and A names in brackets are those printed on common boards with this chip.
 *
 *   PD0 (D0)  UART in          PD1 (D1)  UART out         115200 baud, 8N1
 *   PD2 (D2)  foot switch to ground, pull-up inside
 *   PD3 (D3)  buzzer (passive), timer 2's own output
 *   PB0 (D8)  lamp
 *   PB2 (D10) thermocouple amplifier CS    PB4 (D12) its SO    PB5 (D13) its SCK
 *   PC0 (A0)  pressure transducer, fed from the chip's own 5 V
 *   PC4 (A4)  SDA              PC5 (A5)  SCL              humidity sensor at address 0x44
 */
#ifndef BOARD_H
#define BOARD_H

#define BASE_NAME "b1-" /* what this board's names begin with: give each board its own */

/* The transducer's full scale [Pa gauge], digits only: what it reads at nine tenths of its supply, and at least 1.3
 * times the pot's mark.  100 psi 689476, 150 psi 1034214, 200 psi 1378951, 10 bar 1000000, 16 bar 1600000.  The same
 * stands in bench.toml as the upper end of the channel's `range`: `benchd check` compares the two. */
#define POT_FULL_PA 689476

#define FOOT_PIN PD2
#define BUZZER_PIN PD3
#define LAMP_PIN PB0
#define THERMO_CS_PIN PB2
#define THERMO_SCK_PIN PB5
#define THERMO_MOSI_PIN PB3 /* not wired: an output only so that it does not float */
#define SDA_PIN PC4
#define SCL_PIN PC5
#define PRESSURE_MUX 0

#define BAUD_RATE 115200UL
#define TICK_HZ 2000u       /* one sample of the pressure each */
#define TICKS_A_SLOT 10u    /* 5 ms: foot switch, lamp and tones */
#define SLOT_MS 5u
#define SLOTS_A_QUARTER 50u /* 250 ms: one line */
/* The last 200 ms of each quarter second are averaged: ten waves of 50 Hz mains, twelve of 60 Hz, so hum cancels. */
#define SLOTS_AVERAGED 40u
#define SAMPLES_A_QUARTER 400u

#endif
