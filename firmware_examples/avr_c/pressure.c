/* What pressure do the transducer's volts mean?
 *
 * Ratiometric: a tenth of the supply is no pressure, nine tenths are the full scale in board.h, so
 *     Pa = (sum / (1024 n) - 0.1) / 0.8 * POT_FULL_PA
 * The converter's reference is that very supply, so what the supply does cancels and no stop of the converter hides it.
 * Below a twentieth or above nineteen twentieths no sound transducer reads: a wire is off (common practice, no source).
 */
#include "pressure.h"

#include "board.h"

#define FULL ((uint32_t)SAMPLES_A_QUARTER * 1024u)
#define ZERO (FULL / 10u)

#define SPAN (FULL / 10u * 8u) /* counts from no pressure to full scale */

#if POT_FULL_PA < 50000 || POT_FULL_PA > 10000000
#error "POT_FULL_PA is in pascals: 100 psi are 689476"
#endif
/* Pascals a count, as a whole part and a fraction of 65536: the chip has no divider, so the compiler divides. */
#define PA_WHOLE (POT_FULL_PA / SPAN)
#define PA_FRACTION ((uint32_t)(((uint64_t)(POT_FULL_PA % SPAN) * 65536u + SPAN / 2u) / SPAN))

/* counts * Pa a count, rounded.  Exact to 1/256 Pa: the product is taken in two halves, each within 32 bits. */
static uint32_t pa_of(uint32_t counts)
{
    uint32_t parts = (counts >> 8) * PA_FRACTION + (((counts & 255u) * PA_FRACTION) >> 8);

    return counts * PA_WHOLE + ((parts + 128u) >> 8);
}

int32_t pressure_pa(uint32_t sum, PGM_P *fault)
{
    uint8_t is_below = sum < ZERO;
    uint32_t pa = pa_of(is_below ? ZERO - sum : sum - ZERO);

    *fault = sum < FULL / 20u ? PSTR("low") : sum > FULL / 20u * 19u ? PSTR("high") : 0;
    return is_below ? -(int32_t)pa : (int32_t)pa;
}
