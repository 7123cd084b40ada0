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

const struct event *latch_oldest(const struct latch *l)
{
    return *(const volatile uint8_t *)&l->waiting ? l->tail : 0;
}

void latch_advance(struct latch *l)
{
    l->tail = l->tail == &l->events[LATCH_EVENTS - 1] ? l->events : l->tail + 1;
}
