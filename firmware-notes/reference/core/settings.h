/* What the owner has set (wire-format.md section 3.2), kept in the board's non-volatile memory with a sum. */
#ifndef SETTINGS_H
#define SETTINGS_H

#include <stdbool.h>
#include <stdint.h>

#include "latch.h"

#define NAME_MOST 24 /* so that the longest hello fits its line */

enum indicator_kind {
    INDICATOR_SCALE, /* quadrature */
    INDICATOR_BCD,   /* 13-digit frame, sent on request */
    INDICATOR_24BIT, /* 24-bit frame, sent unasked */
    INDICATOR_ASCII, /* lines of text */
    INDICATOR_KINDS
};

const char *kind_word(enum indicator_kind kind); /* see text.h */

/* One count is digits * 10^-decimals mm or inches; a gauge counts in powers of ten. */
struct channel {
    uint16_t digits;
    uint8_t decimals;
    uint8_t kind;
    bool inch;
};

struct settings {
    uint32_t cpr;     /* counts per crank revolution */
    struct channel channel[CHANNELS];
    uint8_t channels; /* 1 or 2 */
    bool index;       /* the encoder gives an index pulse */
    char name[NAME_MOST + 1];
};

/* Fills `s` from memory, or with the defaults. False if what is there is damaged; an erased memory is not. */
bool settings_recall(struct settings *s);
void settings_store(const struct settings *s);

/* `text` is what stands behind "set ". False if it sets nothing; then `s` is as it was. */
bool settings_set(struct settings *s, const char *text);

#endif
