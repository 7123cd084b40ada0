#include "settings.h"

#include <string.h>

#include "crc16.h"
#include "port.h"
#include "text.h"

#define LAYOUT 1 /* another one whenever `struct settings` changes: then the board begins with its defaults */
#define DECIMALS_MOST 5

const char *kind_word(enum indicator_kind kind)
{
    static const char WORDS[] TEXT_KEPT = "scale\0bcd\0frame24\0ascii";

    return text_word(WORDS, (uint8_t)kind);
}

/* The usual step of each kind, in mm and in inches. */
static const struct {
    uint8_t digits, decimals;
} USUAL[INDICATOR_KINDS][2] = {{{5, 3}, {2, 4}}, {{1, 3}, {1, 5}}, {{1, 2}, {1, 4}}, {{1, 3}, {1, 5}}};

struct memory {
    struct settings settings;
    uint8_t layout;
    uint16_t sum; /* of everything in front of it */
};

static uint16_t sum(const struct memory *m)
{
    const uint8_t *byte = (const uint8_t *)m;
    uint16_t crc = CRC16_START;

    while (byte < (const uint8_t *)&m->sum)
        crc = crc16_add(crc, *byte++);
    return crc;
}

static void usual_step(struct channel *c)
{
    c->digits = USUAL[c->kind][c->inch].digits;
    c->decimals = USUAL[c->kind][c->inch].decimals;
}

static void defaults(struct settings *s)
{
    memset(s, 0, sizeof *s);
    s->cpr = 2400;
    s->index = true;
    s->channels = 1;
    memcpy(s->name, "bench-a", 7);
    for (uint8_t c = 0; c < CHANNELS; c++)
        usual_step(&s->channel[c]);
}

static bool erased(const struct memory *m)
{
    for (const uint8_t *byte = (const uint8_t *)m; byte < (const uint8_t *)(m + 1); byte++)
        if (*byte != 0xFF)
            return false;
    return true;
}

bool settings_recall(struct settings *s)
{
    struct memory m;

    port_recall(&m, sizeof m);
    if (m.layout == LAYOUT && m.sum == sum(&m)) {
        *s = m.settings;
        return true;
    }
    defaults(s);
    return erased(&m);
}

void settings_store(const struct settings *s)
{
    struct memory m;

    memset(&m, 0, sizeof m); /* what the compiler leaves between the fields has a part in the sum */
    m.settings = *s;
    m.layout = LAYOUT;
    m.sum = sum(&m);
    port_store(&m, sizeof m);
}

/* The words of a line, one after the other: the whole of each must be understood. `wanted` has the blank behind it. */
static bool word(const char **text, const char *wanted)
{
    if (!text_begins(*text, wanted))
        return false;
    while (**text != ' ')
        ++*text;
    ++*text;
    return true;
}

static bool digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool cpr(struct settings *s, const char *text)
{
    uint32_t number = 0;

    if (!digit(*text) || *text == '0')
        return false;
    for (; digit(*text); text++) {
        number = 10 * number + (uint8_t)(*text - '0');
        if (number > 1000000)
            return false;
    }
    if (*text || number < 4)
        return false;
    s->cpr = number;
    return true;
}

static bool yes_or_no(bool *which, const char *text)
{
    bool yes = text_is(text, TEXT("yes"));

    if (!yes && !text_is(text, TEXT("no")))
        return false;
    *which = yes;
    return true;
}

static bool name(struct settings *s, const char *text)
{
    size_t length = strlen(text);

    if (!length || length > NAME_MOST)
        return false;
    for (const char *p = text; *p; p++)
        if (!digit(*p) && !(*p >= 'A' && *p <= 'Z') && !(*p >= 'a' && *p <= 'z') && *p != '-' && *p != '.')
            return false;
    memset(s->name, 0, sizeof s->name);
    memcpy(s->name, text, length);
    return true;
}

static bool channels(uint8_t *channels, const char *text)
{
    if ((*text != '1' && *text != '2') || text[1])
        return false;
    *channels = (uint8_t)(*text - '0');
    return true;
}

/* The channel's number, and the blank behind it. */
static bool channel(struct settings *s, const char **text, struct channel **which)
{
    if ((**text != '1' && **text != '2') || (*text)[1] != ' ')
        return false;
    *which = &s->channel[**text - '1'];
    *text += 2;
    return true;
}

static bool kind(struct channel *c, const char *text, bool first)
{
    for (uint8_t k = 0; k < INDICATOR_KINDS; k++) {
        if (!text_is(text, kind_word((enum indicator_kind)k)))
            continue;
        if (k == INDICATOR_ASCII && !first) /* there is one serial input */
            return false;
        c->kind = k;
        usual_step(c);
        return true;
    }
    return false;
}

static bool unit(struct channel *c, const char *text)
{
    bool inch = text_is(text, TEXT("in"));

    if (!inch && !text_is(text, TEXT("mm")))
        return false;
    c->inch = inch;
    usual_step(c);
    return true;
}

/* "0.005" or "1". A gauge's step is a power of ten, and no coarser than what a 24-bit frame tells. */
static bool step(struct channel *c, const char *text)
{
    uint32_t number = 0;
    uint8_t decimals = 0;
    bool point = false;

    if (!digit(*text) || (*text == '0' && text[1] != '.'))
        return false;
    for (; digit(*text) || (*text == '.' && !point); text++) {
        if (*text == '.') {
            point = true;
            continue;
        }
        decimals += point;
        number = 10 * number + (uint8_t)(*text - '0');
        if (number > UINT16_MAX || decimals > DECIMALS_MOST)
            return false;
    }
    if (*text || text[-1] == '.' || !number)
        return false;
    if (c->kind != INDICATOR_SCALE && number != 1)
        return false;
    if (c->kind == INDICATOR_24BIT && decimals < USUAL[INDICATOR_24BIT][c->inch].decimals)
        return false;
    c->digits = (uint16_t)number;
    c->decimals = decimals;
    return true;
}

bool settings_set(struct settings *s, const char *text)
{
    struct channel *c;

    if (word(&text, TEXT("cpr ")))
        return cpr(s, text);
    if (word(&text, TEXT("index ")))
        return yes_or_no(&s->index, text);
    if (word(&text, TEXT("name ")))
        return name(s, text);
    if (word(&text, TEXT("channels ")))
        return channels(&s->channels, text);
    if (word(&text, TEXT("kind ")))
        return channel(s, &text, &c) && kind(c, text, c == &s->channel[0]);
    if (word(&text, TEXT("unit ")))
        return channel(s, &text, &c) && unit(c, text);
    if (word(&text, TEXT("step ")))
        return channel(s, &text, &c) && step(c, text);
    return false;
}
