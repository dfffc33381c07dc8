/* How damp and how warm is the room?  SHT31: two 16-bit words over I2C, each with a CRC-8. */
#ifndef HUMID_H
#define HUMID_H

#include <avr/pgmspace.h>
#include <stdint.h>

typedef struct {
    int16_t room_centi_c;
    uint16_t rh_centi_pct;
    PGM_P fault; /* what is wrong, NULL when nothing: holds for both */
} humid_reading;

void humid_init(void);

/* Have it measure (16 ms at most), fetch what it measured, look at what came: a quarter second apart each. */
void humid_ask(void);
void humid_fetch(void);
humid_reading humid_look(void);

#endif
