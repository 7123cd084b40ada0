#include "indicator.h"

#include "port.h"

#define AGE_MOST MS_TICKS(1000000)  /* below half the range of the ticks, so that an age keeps its sign */
#define ASK_LIMIT MS_TICKS(250)     /* a gauge that has not begun by then is asked anew */
#define ASK_PAUSE (BITS_PAUSE + MS_TICKS(2))

void indicator_start(struct indicator *i, enum indicator_kind kind, const struct unit *unit, uint32_t now)
{
    i->kind = kind;
    i->unit = *unit;
    i->bits.wanted = kind == INDICATOR_BCD ? 52 : 24;
    i->bits.last = now - BITS_PAUSE;
    i->at = now;
}

static void took(struct indicator *i, bool sound, int32_t lift, uint32_t at)
{
    if (!sound) {
        i->refused++;
        return;
    }
    i->lift = lift;
    i->at = at;
    i->any = true;
}

static void clocked(struct indicator *i)
{
    bool full = *(volatile bool *)&i->bits.full;
    uint8_t broken = *(volatile uint8_t *)&i->bits.broken;

    i->refused += (uint8_t)(broken - i->broken);
    i->broken = broken;
    if (!full)
        return;
    /* The interrupt leaves a full frame alone until it is told that it was fetched. */
    int32_t lift = 0;
    bool sound = i->kind == INDICATOR_BCD ? gauge_bcd(i->bits.byte, &i->unit, &lift) : gauge_24bit(i->bits.byte, &i->unit, &lift);
    took(i, sound, lift, i->bits.first);
    *(volatile bool *)&i->bits.full = false;
}

/* Held until the gauge begins to send; then a pause, so that the next frame can be told from this one. */
static void ask(struct indicator *i, uint8_t channel, uint32_t now)
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
    port_request(channel, i->asking);
}

void indicator_work(struct indicator *i, uint8_t channel, uint32_t now)
{
    uint8_t byte;
    uint32_t at;

    switch (i->kind) {
    case INDICATOR_BCD:
        clocked(i);
        ask(i, channel, now);
        break;
    case INDICATOR_24BIT:
        clocked(i);
        break;
    case INDICATOR_ASCII:
        while (port_gauge_byte(&byte, &at)) {
            int32_t lift = 0;
            enum gauge_text got = gauge_ascii(&i->line, byte, at, &i->unit, &lift);
            if (got != GAUGE_MORE)
                took(i, got == GAUGE_READING, lift, i->line.first);
        }
        break;
    default:
        return;
    }
    if ((int32_t)(now - i->at) > (int32_t)AGE_MOST)
        i->at = now - AGE_MOST;
}

int32_t indicator_age(const struct indicator *i, uint32_t ticks)
{
    return (int32_t)(ticks - i->at);
}

bool indicator_silent(const struct indicator *i, uint32_t ticks)
{
    return !i->any || indicator_age(i, ticks) > (int32_t)MS_TICKS(1000);
}
