/* What do lamp and buzzer do just now?  Signals only: they move nothing, and mean only what the daemon means. */
#ifndef SIGNALS_H
#define SIGNALS_H

#include <stdint.h>

#define NOTES_MOST 8u
#define HZ_LEAST 150u
#define HZ_MOST 5000u
#define UNHEARD_S 30u /* so long without an order, and the lamp shows that no daemon is heard */

enum { LAMP_OFF, LAMP_ON, LAMP_SLOW, LAMP_FAST, LAMP_MODES };

typedef struct {
    uint16_t hz; /* 0 = a rest */
    uint16_t slots;
} note;

void signals_init(void);

/* Once each 5 ms slot. */
void signals_step(void);

/* An order was understood: the daemon is there. */
void signals_heard(void);
void signals_lamp(uint8_t mode);
void signals_play(const note *notes, uint8_t count);
void signals_tick(void);

#endif
