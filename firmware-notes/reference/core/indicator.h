/* One indicator channel: the newest reading, when it was taken, and what was refused. A quadrature scale has its count in the
 * latch and needs none of this. */
#ifndef INDICATOR_H
#define INDICATOR_H

#include <stdbool.h>
#include <stdint.h>

#include "bits.h"
#include "gauge.h"
#include "settings.h"

struct indicator {
    enum indicator_kind kind;
    struct unit unit;
    bool turned_over;      /* a 24-bit gauge comes through a transistor a line: low is 1 */
    struct bits bits;      /* shared with the interrupt that clocks bits in */
    struct gauge_line line;
    int32_t lift;          /* counts */
    uint32_t at;           /* ticks of the first bit or byte of that reading; before the first reading: the start */
    uint32_t started;      /* ticks */
    uint32_t refused;      /* readings, since the start */
    uint32_t jumped;       /* readings further from the one before than a plunger goes, since the start */
    uint32_t asked;        /* ticks of the last change of the request line */
    uint8_t lost;          /* what bits.lost was when last looked at */
    bool any;              /* there was a reading */
    bool asking;
    uint8_t raw[BITS_BYTES]; /* the bits that came last, sound or not, as in `struct bits` */
    uint8_t raw_count;       /* how many */
};

/* `channel` says the kind and the unit. */
void indicator_start(struct indicator *i, const struct channel *channel, bool turned_over, uint32_t now);

/* Fetches what has come for channel number `number` and asks for the next. */
void indicator_work(struct indicator *i, uint8_t number, uint32_t now);

/* What came last, sound or not: bits, or the characters of a line (which may be on its way). */
const uint8_t *indicator_raw(const struct indicator *i, uint8_t *count);

/* Half microseconds by which the reading lies before `ticks`; negative: after. Stays at 1000 s when older. */
int32_t indicator_age(const struct indicator *i, uint32_t ticks);

/* No reading yet, or none for more than a second before `ticks`. */
bool indicator_silent(const struct indicator *i, uint32_t ticks);

#endif
