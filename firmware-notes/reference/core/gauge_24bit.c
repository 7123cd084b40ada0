#include "gauge.h"

#define SPARE 0x6F /* bits 16 to 19, 21 and 22: one that is set says that the frame has slipped */

bool gauge_24bit(const uint8_t bits[3], const struct unit *unit, int32_t *count)
{
    bool minus = bits[2] >> 4 & 1, inch = bits[2] >> 7;
    uint32_t magnitude = bits[0] | (uint32_t)bits[1] << 8;

    if ((bits[2] & SPARE) || inch != unit->inch)
        return false;
    if (inch) /* 1/2000 in is 5/10000 in */
        return gauge_scale(5 * magnitude, 4, minus, unit, count);
    return gauge_scale(magnitude, 2, minus, unit, count);
}
