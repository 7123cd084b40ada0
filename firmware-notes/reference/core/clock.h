/* The port's tick counter (half microseconds, 32 bits, runs over every 35 minutes) -> the wire's microseconds (32 bits). */
#ifndef CLOCK_H
#define CLOCK_H

#include <stdint.h>

#define TICKS_PER_US 2
#define MS_TICKS(ms) ((uint32_t)(ms) * 1000 * TICKS_PER_US)

struct clock {
    uint32_t ticks; /* the newest instant seen */
    uint32_t turns; /* how often the counter had run over then */
};

/* Microseconds of an instant less than 17 minutes away from the newest seen before; instants may come out of order. */
uint32_t clock_us(struct clock *c, uint32_t ticks);

#endif
