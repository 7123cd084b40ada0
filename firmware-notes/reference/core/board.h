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

/* What the port can do. */
struct limits {
    uint16_t rate;                /* samples a second at the start ... */
    uint16_t rate_most[CHANNELS]; /* ... and what the line can carry, with one channel and with two */
    bool turned_over;             /* a 24-bit gauge comes through a transistor a line */
};

/* Why the board has started, where that is worth saying: the number of the fault `restart`. */
enum start { START_USUAL, START_WATCHDOG, START_SUPPLY };

struct board {
    const struct limits *limits;
    struct settings settings;
    struct latch latch; /* shared with the interrupts */
    struct indicator indicator[CHANNELS];
    struct clock clock;
    struct faults faults;
    struct command_line command;
    struct line line;
    struct event zeroed;   /* counts before the last `zero`, for the events that were waiting then ... */
    uint8_t zeroed_events; /* ... so many still do, ... */
    bool zeroed_index;     /* ... and the index pulse does */
    uint8_t testing;       /* frames of the self-test that are to be sent yet */
    bool hello;            /* one is to be sent */
    bool anew;             /* something was set: the port must start the board anew */
    bool indexed;          /* the newest frame was an index */
    bool dropped;          /* frames were, since the last sample */
    uint16_t rate;
    uint32_t boot;
    uint32_t seq;          /* of the next frame */
    uint32_t sampled;      /* ticks of the newest sample or heartbeat */
    uint32_t moved;        /* ticks at which the crank was last seen to have moved, and to where */
    uint32_t moved_to;
};

/* `b` is all zeros. The settings come first: the interrupts may begin behind them, and the board starts behind those. `boot` differs from one
 * start to the next and is not 0. */
void board_settings(struct board *b);
void board_start(struct board *b, const struct limits *limits, uint32_t boot, enum start why);

/* One step of work. False: there was none, the processor may sleep until the next interrupt. */
bool board_work(struct board *b);

#endif
