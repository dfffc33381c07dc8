/* Was anything changed on the way?  The two checksums a board needs. */
#ifndef CRC_H
#define CRC_H

#include <stdint.h>

/* CRC-32 of ITU-T V.42 (zlib's): begin with CRC32_BEGIN, feed each byte, invert at the end. */
#define CRC32_BEGIN 0xFFFFFFFFUL
uint32_t crc32_feed(uint32_t crc, uint8_t byte);

/* CRC-8 of the humidity sensor: polynomial 0x31, begins with 0xFF, not reflected; 0xBEEF gives 0x92 (its datasheet). */
uint8_t crc8(const uint8_t *bytes, uint8_t count);

#endif
