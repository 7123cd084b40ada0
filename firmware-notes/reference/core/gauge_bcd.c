#include "gauge.h"

static uint8_t digit(const uint8_t *bits, uint8_t i)
{
    return i & 1 ? bits[i >> 1] >> 4 : bits[i >> 1] & 15;
}

bool gauge_bcd(const uint8_t bits[7], const struct unit *unit, int32_t *count)
{
    uint8_t sign = digit(bits, 4), decimals = digit(bits, 11);
    uint32_t value = 0;

    for (uint8_t i = 0; i < 4; i++)
        if (digit(bits, i) != 15)
            return false;
    for (uint8_t i = 5; i < 11; i++) {
        if (digit(bits, i) > 9)
            return false;
        value = 10 * value + digit(bits, i);
    }
    /* Some senders put a judgement (2 to 7) where the unit belongs: that is no reading. */
    if ((sign != 0 && sign != 8) || decimals > 5 || digit(bits, 12) != unit->inch)
        return false;
    return gauge_scale(value, decimals, sign == 8, unit, count);
}
