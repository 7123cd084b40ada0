#include "clock.h"

uint32_t clock_us(struct clock *c, uint32_t ticks)
{
    uint32_t turns = c->turns;

    if (ticks - c->ticks < 0x80000000u) { /* not older than the newest */
        turns += ticks < c->ticks;
        c->ticks = ticks;
        c->turns = turns;
    } else {
        turns -= ticks > c->ticks;
    }
    return ticks / TICKS_PER_US + turns * (UINT32_MAX / TICKS_PER_US + 1);
}
