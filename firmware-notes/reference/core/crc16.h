/* CRC-16/IBM-3740: polynomial 0x1021, start 0xFFFF, nothing reflected. The nine characters 123456789 give 0x29B1. */
#ifndef CRC16_H
#define CRC16_H

#include <stdint.h>

#define CRC16_START 0xFFFFu

uint16_t crc16_add(uint16_t crc, uint8_t byte);

#endif
