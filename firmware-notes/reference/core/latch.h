/* The latch: crank, scales and clock taken together inside an interrupt, kept in a short ring for the main loop.
 *
 * Everything here that is HOT is meant for interrupts and may not be interrupted itself; latch.c is for the main loop.
 * A port calls latch_crank at each change of the crank's pins, and latch_scale at each of a scale's. `rate` times a second it
 * takes an event: at once if `by_edge` is false, else at the next crank edge for which latch_crank says true.
 * An event that finds the ring full is counted, and the next one that finds room carries the number: so the main loop
 * knows exactly where samples are missing.
 */
#ifndef LATCH_H
#define LATCH_H

#include <stdbool.h>
#include <stdint.h>

#include "hot.h"
#include "quadrature.h"

#define CHANNELS 2
/* Whether a channel is a quadrature scale now; a port that knows latches faster. */
#ifndef LATCH_SCALE
#define LATCH_SCALE(channel) true
#endif
#define LATCH_EVENTS 8

/* Flags of a sample (wire-format.md section 2.6). */
#define FLAG_DROPPED 1
#define FLAG_CRANK_STEP 2
#define FLAG_SILENT(channel) (uint8_t)(4 << (channel))
#define FLAG_LIFT(channel) (uint8_t)(16 << (channel))
#define FLAG_BY_TIME 64

struct event {
    uint32_t ticks;
    struct count crank;
    struct count scale[CHANNELS]; /* of quadrature scales; 0 for another kind of indicator */
    uint16_t missed;          /* events there was no room for, just before this one */
    uint8_t flags;            /* the sticky ones */
    bool by_edge;
};

struct index_pulse {
    uint32_t ticks;
    struct count crank;
};

struct latch {
    struct quad crank;
    bool down;             /* which way the crank went last */
    struct quad scale[CHANNELS];
    struct event events[LATCH_EVENTS];
    struct event *head;    /* the next to be filled */
    struct event *tail;    /* the next to be fetched */
    struct index_pulse index;
    uint16_t missed;
    uint8_t waiting;       /* events in the ring */
    uint8_t sticky;        /* flags that stay until `zero` */
    uint8_t index_missed;  /* pulses that came before the one before was fetched */
    bool index_waits;
    bool by_edge;          /* latch=edge */
};

/* Where hardware counts the edges: how far each counter (crank, channel 1, channel 2) has gone since this was last called. Called with
 * interrupts off, more often than a counter runs through half its range. Such a port defines PORT_COUNTS; it calls neither latch_crank nor
 * latch_scale, and everything else, `zero` too, is as without. */
#ifdef PORT_COUNTS
void port_counts(int32_t steps[1 + CHANNELS]);
#endif

/* What a port does when the crank turns round: it may choose the edge of the index signal that it waits for. */
#ifndef LATCH_TURNED
#define LATCH_TURNED(down) ((void)0)
#endif

/* The crank's pins have changed. True if the count has. */
HOT bool latch_crank(struct latch *l, uint8_t pins)
{
    int8_t step = quad_step(&l->crank, pins);

    if (step == 1) {
        if (l->down) {
            l->down = false;
            LATCH_TURNED(false);
        }
    } else if (step == -1) {
        if (!l->down) {
            l->down = true;
            LATCH_TURNED(true);
        }
    } else if (step == QUAD_ILLEGAL) {
        l->sticky |= FLAG_CRANK_STEP;
    }
    return step & 1;
}

/* A scale's pins have changed, or are looked at because a latch is due. */
HOT void latch_scale(struct latch *l, uint8_t channel, uint8_t pins)
{
    if (quad_step(&l->scale[channel], pins) == QUAD_ILLEGAL)
        l->sticky |= FLAG_LIFT(channel);
}

/* Edges may have passed unseen: one of them is counted as an illegal step, so that it is told. */
HOT void latch_crank_missed(struct latch *l, uint8_t pins)
{
    latch_crank(l, pins);
    count_up(&l->crank.illegal);
    l->sticky |= FLAG_CRANK_STEP;
}

HOT void latch_scale_missed(struct latch *l, uint8_t channel, uint8_t pins)
{
    latch_scale(l, channel, pins);
    count_up(&l->scale[channel].illegal);
    l->sticky |= FLAG_LIFT(channel);
}

/* Brings the counts up to this moment, where hardware counts. */
HOT void latch_counts(struct latch *l)
{
#ifdef PORT_COUNTS
    int32_t steps[1 + CHANNELS] = {0};

    port_counts(steps);
    count_add(&l->crank.count, steps[0]);
    for (uint8_t c = 0; c < CHANNELS; c++)
        count_add(&l->scale[c].count, steps[1 + c]);
    if (steps[0])
        l->down = steps[0] < 0;
#else
    (void)l;
#endif
}

HOT void latch_fill(struct latch *l, struct event *e, uint32_t ticks)
{
    latch_counts(l);
    e->ticks = ticks;
    e->crank = l->crank.count;
    for (uint8_t c = 0; c < CHANNELS; c++)
        if (LATCH_SCALE(c))
            e->scale[c] = l->scale[c].count;
    e->flags = l->sticky;
    e->by_edge = l->by_edge;
}

/* Where the next event goes, or 0 if there is no room: then it is counted. This and latch_keep may be interrupted by what takes no
 * events. */
HOT struct event *latch_room(struct latch *l)
{
    if (l->waiting < LATCH_EVENTS)
        return l->head;
    l->missed++;
    return 0;
}

/* What stands there is an event from now on. */
HOT void latch_keep(struct latch *l, struct event *e)
{
    e->missed = l->missed;
    l->missed = 0;
    l->waiting++;
    l->head = e == &l->events[LATCH_EVENTS - 1] ? l->events : e + 1;
}

/* Takes everything at this instant. */
HOT void latch_event(struct latch *l, uint32_t ticks)
{
    struct event *e = latch_room(l);

    if (!e)
        return;
    latch_fill(l, e, ticks);
    latch_keep(l, e);
}

/* The index signal has changed to `high`; `pins` are the crank's at that moment.
 *
 * The pulse is taken where it begins going up and where it ends going down, so that both name one place. An encoder
 * that gates the pulse with A and B moves it together with a crank edge, which this interrupt may have overtaken: going up
 * the count is the one after that edge, going down the one before it, both times that of the state with the pulse high.
 * The overtaken edge is counted here, so that it does not wait for this interrupt to end; it is not one that can be latched.
 * Hardware has counted that edge already, so there the count of the state with the pulse high is, going down, one more. */
HOT void latch_index(struct latch *l, bool high, uint8_t pins, uint32_t ticks)
{
#ifdef PORT_COUNTS
    (void)pins;
    latch_counts(l);
#else
    if (high)
        latch_crank(l, pins);
#endif
    if (high != l->down) {
        if (l->index_waits) {
            l->index_missed++;
        } else {
            l->index.ticks = ticks;
            l->index.crank = l->crank.count;
#ifdef PORT_COUNTS
            if (l->down)
                count_up(&l->index.crank);
#endif
            l->index_waits = true;
        }
    }
#ifndef PORT_COUNTS
    if (!high)
        latch_crank(l, pins);
#endif
}

/* For the main loop. What waits stays as it is until it is let go, so it is copied with interrupts on; `waiting` is one byte and needs no
 * lock to be read. */

void latch_start(struct latch *l);
void latch_zero(struct latch *l, struct event *before);  /* locked: counts and sticky flags; `before` gets what they were */
const struct event *latch_oldest(const struct latch *l); /* 0 if there is none; it stays until latch_drop ... */
void latch_advance(struct latch *l);                     /* ... before which comes this */
bool latch_index_waits(const struct latch *l);           /* then `index` stays until latch_index_drop */

/* Locked. */
HOT void latch_drop(struct latch *l)
{
    l->waiting--;
}

HOT void latch_index_drop(struct latch *l)
{
    l->index_waits = false;
}

/* Locked. Pulses there was no room for since this was last called. */
HOT uint8_t latch_index_missed(struct latch *l)
{
    uint8_t missed = l->index_missed;

    l->index_missed = 0;
    return missed;
}

#endif
