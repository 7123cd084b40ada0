/* What gauges send -> counts. Each function gives false for a reading that must be refused.
 *
 * A channel counts in steps of 10^-decimals of its unit; a reading in the other unit, or finer than that step, is refused
 * and never converted in silence.
 */
#ifndef GAUGE_H
#define GAUGE_H

#include <stdbool.h>
#include <stdint.h>

struct unit {
    bool inch;        /* the channel counts in inches */
    uint8_t decimals; /* 0.01mm: 2 */
};

/* `digits` * 10^-decimals in steps of `unit`. */
bool gauge_scale(uint32_t digits, uint8_t decimals, bool minus, const struct unit *unit, int32_t *count);

/* 13 digits of 4 bits, each least significant bit first: F F F F, sign (0 or 8), six digits, decimals (0 to 5), unit (0 mm, 1 inch). */
bool gauge_bcd(const uint8_t bits[7], const struct unit *unit, int32_t *count);

/* 24 bits, least significant first: magnitude 0 to 15, bit 20 minus, bit 23 inch, the rest 0. Hundredths of mm, or 2000ths of an inch. */
bool gauge_24bit(const uint8_t bits[3], const struct unit *unit, int32_t *count);

/* Lines of text, "+12.345mm": see gauge_ascii.c. */
#define GAUGE_LINE 24

struct gauge_line {
    uint32_t first; /* ticks of the line's first byte */
    uint8_t length; /* GAUGE_LINE: too long */
    char text[GAUGE_LINE];
};

enum gauge_text { GAUGE_MORE, GAUGE_READING, GAUGE_REFUSED };

enum gauge_text gauge_ascii(struct gauge_line *g, uint8_t byte, uint32_t now, const struct unit *unit, int32_t *count);

#endif
