#include "latch.h"

void latch_start(struct latch *l)
{
    l->head = l->tail = l->events;
    l->by_edge = true;
}

void latch_zero(struct latch *l, struct event *before)
{
    static const struct count NOUGHT;

    latch_fill(l, before, 0);
    l->crank.count = NOUGHT;
    for (uint8_t c = 0; c < CHANNELS; c++)
        l->scale[c].count = NOUGHT;
    l->sticky = 0;
}

bool latch_index_waits(const struct latch *l)
{
    return *(const volatile bool *)&l->index_waits;
}

uint8_t latch_index_drop(struct latch *l)
{
    uint8_t missed = l->index_missed;

    l->index_missed = 0;
    l->index_waits = false;
    return missed;
}

const struct event *latch_oldest(const struct latch *l)
{
    return l->waiting ? l->tail : 0;
}

void latch_drop(struct latch *l)
{
    l->waiting--;
    l->tail = l->tail == &l->events[LATCH_EVENTS - 1] ? l->events : l->tail + 1;
}
