/* How is a line to the daemon written?
 *
 *     [{"bn":"b1-","n":"seq","v":7},{"n":"up","u":"s","v":12.250}, ... ] <CRC-32, 8 lowercase hex> LF
 *
 * Begin, add records, end.  A line is begun only when `line_has_room`, so writing never waits.
 */
#ifndef LINE_H
#define LINE_H

#include <avr/pgmspace.h>
#include <stdint.h>

#define LINE_MOST 230u /* bytes of the longest line, its LF counted: 20 ms at 115200 baud */

uint8_t line_has_room(void);

/* Write base name, sequence number and seconds since boot. */
void line_begin(void);

/* A number scaled by 10^decimals; unit NULL = none.  Names and units are PSTR texts. */
void line_number(PGM_P name, PGM_P unit, int32_t scaled, uint8_t decimals);
void line_count(PGM_P name, uint32_t count);
void line_fault(PGM_P channel, PGM_P what);
void line_end(void);

/* A comment line: "# " and two texts. */
void line_comment(PGM_P head, PGM_P text);

#endif
