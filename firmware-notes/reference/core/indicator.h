/* One indicator channel: the newest reading, when it was taken, and what was refused. A quadrature scale has its count in the
 * latch and needs none of this. */
#ifndef INDICATOR_H
#define INDICATOR_H

#include <stdbool.h>
#include <stdint.h>

#include "bits.h"
#include "gauge.h"

enum indicator_kind {
    INDICATOR_NONE,
    INDICATOR_SCALE, /* quadrature */
    INDICATOR_BCD,   /* 13-digit frame, sent on request */
    INDICATOR_24BIT, /* 24-bit frame, sent unasked */
    INDICATOR_ASCII, /* lines of text */
};

struct indicator {
    enum indicator_kind kind;
    struct unit unit;
    struct bits bits; /* shared with the interrupt that clocks bits in */
    struct gauge_line line;
    int32_t lift;     /* counts */
    uint32_t at;      /* ticks of the first bit or byte of that reading; before the first reading: the start */
    uint32_t refused; /* readings, since the start */
    uint32_t asked;   /* ticks of the last change of the request line */
    uint8_t broken;   /* what bits.broken was when last looked at */
    bool any;         /* there was a reading */
    bool asking;
};

void indicator_start(struct indicator *i, enum indicator_kind kind, const struct unit *unit, uint32_t now);

/* Fetches what has come for `channel` and asks for the next. */
void indicator_work(struct indicator *i, uint8_t channel, uint32_t now);

/* Half microseconds by which the reading lies before `ticks`; negative: after. Stays at 1000 s when older. */
int32_t indicator_age(const struct indicator *i, uint32_t ticks);

/* No reading yet, or none for more than a second before `ticks`. */
bool indicator_silent(const struct indicator *i, uint32_t ticks);

#endif
