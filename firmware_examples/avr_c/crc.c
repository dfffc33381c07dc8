/* Was anything changed on the way?  The two checksums a board needs. */
#include "crc.h"

#include <avr/pgmspace.h>

/* What four bits do to the remainder, for the reflected polynomial 0xEDB88320. */
static const uint32_t NIBBLES[16] PROGMEM = {
    0x00000000, 0x1DB71064, 0x3B6E20C8, 0x26D930AC, 0x76DC4190, 0x6B6B51F4, 0x4DB26158, 0x5005713C,
    0xEDB88320, 0xF00F9344, 0xD6D6A3E8, 0xCB61B38C, 0x9B64C2B0, 0x86D3D2D4, 0xA00AE278, 0xBDBDF21C,
};

uint32_t crc32_feed(uint32_t crc, uint8_t byte)
{
    crc ^= byte;
    crc = (crc >> 4) ^ pgm_read_dword(&NIBBLES[(uint8_t)crc & 15u]);
    crc = (crc >> 4) ^ pgm_read_dword(&NIBBLES[(uint8_t)crc & 15u]);
    return crc;
}

uint8_t crc8(const uint8_t *bytes, uint8_t count)
{
    uint8_t crc = 0xFF;

    while (count--) {
        crc ^= *bytes++;
        for (uint8_t bit = 0; bit < 8; bit++) {
            crc = (crc & 0x80u) ? (uint8_t)(crc << 1) ^ 0x31u : (uint8_t)(crc << 1);
        }
    }
    return crc;
}
