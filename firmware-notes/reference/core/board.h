/* The board's main loop: everything that is not done inside an interrupt. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stdint.h>

#include "clock.h"
#include "command.h"
#include "faults.h"
#include "frames.h"
#include "indicator.h"
#include "latch.h"
#include "line.h"

struct setup {
    struct identity identity;
    enum indicator_kind kind[CHANNELS];
    struct unit unit[CHANNELS];
    uint16_t rate;      /* samples a second at the start */
    uint16_t rate_most; /* what the line can carry */
};

struct board {
    const struct setup *setup;
    struct latch latch; /* shared with the interrupts */
    struct indicator indicator[CHANNELS];
    struct clock clock;
    struct faults faults;
    struct command_line command;
    struct line line;
    struct event zeroed;   /* counts before the last `zero`, for the events that were waiting then ... */
    uint8_t zeroed_events; /* ... so many still do, ... */
    bool zeroed_index;     /* ... and the index pulse does */
    uint8_t channels;
    bool hello;            /* one is to be sent */
    bool dropped;          /* frames were, since the last sample */
    uint16_t rate;
    uint32_t boot;
    uint32_t seq;          /* of the next frame */
    uint32_t sampled;      /* ticks of the newest sample or heartbeat */
    uint32_t moved;        /* ticks at which the crank was last seen to have moved, and to where */
    uint32_t moved_to;
};

/* `b` is all zeros, but for what the interrupts may have latched. `boot` differs from one start to the next and is not 0. */
void board_start(struct board *b, const struct setup *setup, uint32_t boot);

/* One step of work. False: there was none, the processor may sleep until the next interrupt. */
bool board_work(struct board *b);

#endif
