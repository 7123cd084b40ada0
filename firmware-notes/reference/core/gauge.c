#include "gauge.h"

bool gauge_scale(uint32_t digits, uint8_t decimals, bool minus, const struct unit *unit, int32_t *count)
{
    for (; decimals > unit->decimals; decimals--) {
        if (digits % 10)
            return false;
        digits /= 10;
    }
    for (; decimals < unit->decimals; decimals++) {
        if (digits > INT32_MAX / 10)
            return false;
        digits *= 10;
    }
    if (digits > INT32_MAX)
        return false;
    *count = minus ? -(int32_t)digits : (int32_t)digits;
    return true;
}
