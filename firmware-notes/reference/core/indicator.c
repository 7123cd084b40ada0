#include "indicator.h"

#include <string.h>

#include "port.h"

#define AGE_MOST MS_TICKS(1000000) /* below half the range of the ticks, so that an age keeps its sign */
#define ASK_LIMIT MS_TICKS(250)    /* a gauge that has not begun by then is asked anew */
#define ASK_PAUSE (BITS_PAUSE + MS_TICKS(2))

/* No plunger goes further than 25 mm (an inch) from one reading to the next, nor faster than that in 50 ms. */
#define REACH_MM 25
#define REACH_MS 50

void indicator_start(struct indicator *i, const struct channel *channel, bool turned_over, uint32_t now)
{
    i->kind = (enum indicator_kind)channel->kind;
    i->unit.inch = channel->inch;
    i->unit.decimals = channel->decimals;
    i->turned_over = turned_over && i->kind == INDICATOR_24BIT;
    i->at = i->started = now;
}

static bool out_of_reach(const struct indicator *i, int32_t lift, uint32_t at)
{
    uint32_t way = lift > i->lift ? (uint32_t)lift - (uint32_t)i->lift : (uint32_t)i->lift - (uint32_t)lift;
    uint32_t ms = (at - i->at) / MS_TICKS(1) + 1, reach = i->unit.inch ? 1 : REACH_MM;

    for (uint8_t d = 0; d < i->unit.decimals; d++)
        reach *= 10;
    return way > (ms < REACH_MS ? reach * ms / REACH_MS : reach);
}

static void took(struct indicator *i, bool sound, int32_t lift, uint32_t at)
{
    if (!sound) {
        i->refused++;
        return;
    }
    if (i->any && out_of_reach(i, lift, at))
        i->jumped++;
    i->lift = lift;
    i->at = at;
    i->any = true;
}

/* A frame that has ended, if there is one: it goes to `raw`. */
static bool ended(struct indicator *i, uint32_t *first)
{
    struct bits *b = &i->bits;
    uint8_t before = port_lock();
    bool end = b->count && port_ticks() - b->last > BITS_PAUSE;

    if (end) {
        memcpy(i->raw, b->byte, sizeof b->byte);
        i->raw_count = b->count;
        *first = b->first;
        b->count = 0;
    }
    port_unlock(before);
    return end;
}

static void clocked(struct indicator *i)
{
    uint8_t lost = *(volatile uint8_t *)&i->bits.lost;
    uint32_t first = 0;
    int32_t lift = 0;

    i->refused += (uint8_t)(lost - i->lost);
    i->lost = lost;
    if (!ended(i, &first))
        return;
    for (uint8_t byte = 0; i->turned_over && byte < BITS_BYTES; byte++)
        i->raw[byte] = (uint8_t)~i->raw[byte];
    bool whole = i->raw_count == (i->kind == INDICATOR_BCD ? 52 : 24);
    if (!whole && !i->any && first - i->started < BITS_PAUSE) /* was being sent when the board started */
        return;
    bool sound = whole && (i->kind == INDICATOR_BCD ? gauge_bcd(i->raw, &i->unit, &lift) : gauge_24bit(i->raw, &i->unit, &lift));
    took(i, sound, lift, first);
}

/* Held until the gauge begins to send; then a pause, so that the next frame can be told from this one. */
static void ask(struct indicator *i, uint8_t number, uint32_t now)
{
    uint8_t before = port_lock();
    uint32_t last = i->bits.last;
    port_unlock(before);

    bool change = i->asking ? last - i->asked < MS_TICKS(10000) || now - i->asked > ASK_LIMIT
                            : now - i->asked > ASK_PAUSE && now - last > ASK_PAUSE;
    if (!change)
        return;
    i->asking = !i->asking;
    i->asked = now;
    port_request(number, i->asking);
}

static void typed(struct indicator *i)
{
    uint8_t byte;
    uint32_t at;

    while (port_gauge_byte(&byte, &at)) {
        int32_t lift = 0;
        enum gauge_text got = gauge_ascii(&i->line, byte, at, &i->unit, &lift);

        if (got != GAUGE_MORE)
            took(i, got == GAUGE_READING, lift, i->line.first);
    }
}

void indicator_work(struct indicator *i, uint8_t number, uint32_t now)
{
    switch (i->kind) {
    case INDICATOR_BCD:
        clocked(i);
        ask(i, number, now);
        break;
    case INDICATOR_24BIT:
        clocked(i);
        break;
    case INDICATOR_ASCII:
        typed(i);
        break;
    default:
        return;
    }
    if ((int32_t)(now - i->at) > (int32_t)AGE_MOST)
        i->at = now - AGE_MOST;
}

const uint8_t *indicator_raw(const struct indicator *i, uint8_t *count)
{
    const char *text = i->line.text, *end = memchr(text, 0, GAUGE_LINE);

    if (i->kind != INDICATOR_ASCII) {
        *count = i->raw_count;
        return i->raw;
    }
    *count = i->line.length ? i->line.length : end ? (uint8_t)(end - text) : GAUGE_LINE;
    return (const uint8_t *)text;
}

int32_t indicator_age(const struct indicator *i, uint32_t ticks)
{
    return (int32_t)(ticks - i->at);
}

bool indicator_silent(const struct indicator *i, uint32_t ticks)
{
    return !i->any || indicator_age(i, ticks) > (int32_t)MS_TICKS(1000);
}
