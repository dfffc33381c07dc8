/* What pressure do the transducer's volts mean?
 *
 * Ratiometric: a tenth of the supply is 0 psi, nine tenths are 100 psi gauge, so
 *     Pa = (sum / (1024 n) - 0.1) / 0.8 * 100 psi * 6894.757 Pa/psi
 * Below a twentieth or above nineteen twentieths no sound transducer reads: a wire is off (common practice, no source).
 */
#include "pressure.h"

#include "board.h"

#define FULL ((uint32_t)SAMPLES_A_QUARTER * 1024u)
#define ZERO (FULL / 10u)

#if SAMPLES_A_QUARTER != 400u
#error "PA_FRACTION is for sums of 400 samples"
#endif
#define PA_WHOLE 2u
#define PA_FRACTION 6823u /* /65536: 689475.7 Pa over 327680 counts are 2.104113 Pa a count */

int32_t pressure_pa(uint32_t sum, PGM_P *fault)
{
    uint8_t is_below = sum < ZERO;
    uint32_t counts = is_below ? ZERO - sum : sum - ZERO;
    uint32_t pa = counts * PA_WHOLE + ((counts * PA_FRACTION + 32768u) >> 16);

    *fault = sum < FULL / 20u ? PSTR("low") : sum > FULL / 20u * 19u ? PSTR("high") : 0;
    return is_below ? -(int32_t)pa : (int32_t)pa;
}
