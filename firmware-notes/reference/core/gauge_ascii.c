/* A serial gauge that sends its reading as a line of text.
 *
 * A line ends with CR, LF or both. The number has a sign or none, digits, and one decimal point or none; behind it there may be
 * blanks and the unit: mm, in, inch or a double quote; without one the channel's unit is taken. In front there may be blanks,
 * and, if the number has a sign, anything: "01A+0012.345" is a heading and a reading. Empty lines are passed over.
 */
#include "gauge.h"

#include <string.h>

static bool number(const char **text, uint32_t *digits, uint8_t *decimals)
{
    bool point = false, any = false;
    const char *p = *text;

    *digits = 0;
    *decimals = 0;
    for (; (*p >= '0' && *p <= '9') || (*p == '.' && !point); p++) {
        if (*p == '.') {
            point = true;
            continue;
        }
        if (*digits > INT32_MAX / 10)
            return false;
        *digits = 10 * *digits + (uint8_t)(*p - '0');
        *decimals += point;
        any = true;
    }
    *text = p;
    return any;
}

static bool unit_fits(const char *text, const struct unit *unit)
{
    while (*text == ' ')
        text++;
    size_t length = strlen(text);
    while (length && text[length - 1] == ' ')
        length--;
    if (!length)
        return true;
    if (length == 2 && (!memcmp(text, "mm", 2) || !memcmp(text, "MM", 2)))
        return !unit->inch;
    return unit->inch && ((length == 1 && *text == '"') || (length == 2 && (!memcmp(text, "in", 2) || !memcmp(text, "IN", 2))) ||
                          (length == 4 && (!memcmp(text, "inch", 4) || !memcmp(text, "INCH", 4))));
}

static bool reading(const char *text, const struct unit *unit, int32_t *count)
{
    const char *sign = strpbrk(text, "+-");
    uint32_t digits;
    uint8_t decimals;

    if (sign)
        text = sign + 1;
    while (*text == ' ')
        text++;
    return number(&text, &digits, &decimals) && unit_fits(text, unit) &&
           gauge_scale(digits, decimals, sign && *sign == '-', unit, count);
}

enum gauge_text gauge_ascii(struct gauge_line *g, uint8_t byte, uint32_t now, const struct unit *unit, int32_t *count)
{
    bool sound = g->length < GAUGE_LINE;

    if (byte != '\r' && byte != '\n') {
        if (!g->length)
            g->first = now;
        if (sound)
            g->text[g->length++] = byte >= ' ' && byte < 0x7F ? (char)byte : '?';
        return GAUGE_MORE;
    }
    if (!g->length)
        return GAUGE_MORE;
    if (sound)
        g->text[g->length] = 0;
    g->length = 0;
    return sound && reading(g->text, unit, count) ? GAUGE_READING : GAUGE_REFUSED;
}
