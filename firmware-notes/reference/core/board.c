#include "board.h"

#include "port.h"

#define HEARTBEAT MS_TICKS(200)
#define SILENCE MS_TICKS(900) /* a frame of some kind each second is required */

void board_start(struct board *b, const struct setup *setup, uint32_t boot)
{
    b->setup = setup;
    b->boot = boot;
    b->rate = setup->rate;
    latch_start(&b->latch);
    b->sampled = b->moved = port_ticks();
    for (b->channels = 0; b->channels < CHANNELS && setup->kind[b->channels] != INDICATOR_NONE; b->channels++)
        indicator_start(&b->indicator[b->channels], setup->kind[b->channels], &setup->unit[b->channels], b->sampled);
    b->hello = true;
    port_send("\n", 1); /* ends a line that the fall of the supply cut short, so that it cannot swallow the hello */
    port_rate(b->rate, true);
}

/* A count that an interrupt may be changing. */
static uint32_t steady(const struct count *count)
{
    uint8_t before = port_lock();
    struct count copy = *count;
    port_unlock(before);
    return count_value(&copy);
}

static void send(const struct board *b)
{
    port_send(b->line.text, b->line.length);
}

/* Frames that could not be sent take their numbers with them. */
static void drop(struct board *b, uint16_t frames)
{
    if (!frames)
        return;
    b->seq += frames;
    b->faults.number[FAULT_BUSY] += frames;
    b->dropped = true;
}

static void indicators(struct board *b)
{
    uint32_t now = port_ticks();

    for (uint8_t c = 0; c < b->channels; c++) {
        struct indicator *i = &b->indicator[c];
        uint32_t refused = i->refused;

        indicator_work(i, c, now);
        if (i->refused == refused)
            continue;
        uint8_t before = port_lock();
        b->latch.sticky |= FLAG_LIFT(c);
        port_unlock(before);
    }
}

static void send_hello(struct board *b)
{
    b->hello = false;
    frame_hello(&b->line, &b->setup->identity, b->seq, clock_us(&b->clock, port_ticks()), b->latch.by_edge, b->rate, b->boot);
    send(b);
}

/* A count that was latched before the last `zero`, or after it, as counted since then. */
static int32_t since_zero(const struct count *count, bool before, const struct count *zeroed)
{
    return (int32_t)(count_value(count) - (before ? count_value(zeroed) : 0));
}

static bool send_index(struct board *b)
{
    const struct index_pulse *pulse = &b->latch.index;

    if (!latch_index_waits(&b->latch))
        return false;
    frame_index(&b->line, b->seq++, clock_us(&b->clock, pulse->ticks), since_zero(&pulse->crank, b->zeroed_index, &b->zeroed.crank));
    send(b);
    b->zeroed_index = false;
    uint8_t before = port_lock();
    uint8_t missed = latch_index_drop(&b->latch);
    port_unlock(before);
    drop(b, missed);
    return true;
}

static bool send_fault(struct board *b)
{
    uint32_t now = port_ticks();
    enum fault which;

    b->faults.number[FAULT_CRANK_STEP] = steady(&b->latch.crank.illegal);
    for (uint8_t c = 0; c < b->channels; c++) {
        const struct indicator *i = &b->indicator[c];
        uint8_t silent = FAULT_LIFT1_SILENT + c;

        b->faults.number[FAULT_LIFT1_BAD + c] = i->refused;
        if (i->kind == INDICATOR_SCALE)
            b->faults.number[FAULT_LIFT1_STEP + c] = steady(&b->latch.scale[c].illegal);
        else
            b->faults.number[silent] = indicator_age(i, now) > (int32_t)MS_TICKS(1000)
                                           ? (uint32_t)indicator_age(i, now) / MS_TICKS(1)
                                           : b->faults.told[silent];
    }
    if (!faults_due(&b->faults, now, &which))
        return false;
    frame_fault(&b->line, b->seq++, clock_us(&b->clock, now), FAULT_WORD[which], (int32_t)b->faults.number[which]);
    send(b);
    return true;
}

static void send_sample(struct board *b, char kind, const struct event *e, uint8_t flags, bool before_zero)
{
    struct sample s;

    s.seq = b->seq++;
    s.time = clock_us(&b->clock, e->ticks);
    s.crank = since_zero(&e->crank, before_zero, &b->zeroed.crank);
    s.flags = flags | (before_zero ? 0 : e->flags) | (b->dropped ? FLAG_DROPPED : 0);
    b->dropped = false;
    for (uint8_t c = 0; c < b->channels; c++) {
        const struct indicator *i = &b->indicator[c];

        if (i->kind == INDICATOR_SCALE) {
            s.age[c] = 0;
            s.lift[c] = since_zero(&e->scale[c], before_zero, &b->zeroed.scale[c]);
            continue;
        }
        s.age[c] = indicator_age(i, e->ticks) / TICKS_PER_US;
        s.lift[c] = i->lift;
        if (indicator_silent(i, e->ticks))
            s.flags |= FLAG_SILENT(c);
    }
    frame_sample(&b->line, kind, &s, b->channels);
    send(b);
    b->sampled = e->ticks;
}

static bool send_event(struct board *b)
{
    const struct event *oldest = latch_oldest(&b->latch);
    if (!oldest)
        return false;

    struct event e = *oldest;
    latch_advance(&b->latch);
    uint8_t before = port_lock();
    latch_drop(&b->latch);
    port_unlock(before);

    bool before_zero = b->zeroed_events;
    b->zeroed_events -= before_zero;
    drop(b, e.missed);
    send_sample(b, 'S', &e, b->latch.by_edge && !e.by_edge ? FLAG_BY_TIME : 0, before_zero);
    return true;
}

/* What is true now, asked for by no edge and no grid. */
static void send_now(struct board *b, char kind)
{
    struct event e;
    uint8_t before = port_lock();
    latch_fill(&b->latch, &e, port_ticks());
    port_unlock(before);
    send_sample(b, kind, &e, kind == 'S' && b->latch.by_edge ? FLAG_BY_TIME : 0, false);
}

/* No edge for a while: the crank stands. Edges, but at a rate so low that none was wanted: a sample all the same. */
static bool send_heartbeat(struct board *b)
{
    uint32_t now = port_ticks(), crank = steady(&b->latch.crank.count);

    if (crank != b->moved_to) {
        b->moved_to = crank;
        b->moved = now;
    }
    bool stands = now - b->moved >= HEARTBEAT;
    if (!b->latch.by_edge || now - b->sampled < (stands ? HEARTBEAT : SILENCE))
        return false;
    send_now(b, stands ? 'B' : 'S');
    return true;
}

static void zero(struct board *b)
{
    uint8_t before = port_lock();
    latch_zero(&b->latch, &b->zeroed);
    b->zeroed_events = b->latch.waiting;
    b->zeroed_index = b->latch.index_waits;
    port_unlock(before);
    b->moved_to -= count_value(&b->zeroed.crank);
}

static void latch_by(struct board *b, bool by_edge)
{
    b->latch.by_edge = by_edge;
    port_rate(b->rate, by_edge);
}

static void command(struct board *b, enum command command)
{
    if (command == COMMAND_NONE)
        return;
    if (command == COMMAND_BAD) {
        b->faults.number[FAULT_COMMAND] = b->command.lines;
        return;
    }
    /* A hello names the next number. Behind numbers that were dropped it would look like a new start, so something carries them first. */
    if (b->dropped && !send_event(b))
        send_now(b, 'S');
    switch (command) {
    case COMMAND_ZERO:
        zero(b);
        break;
    case COMMAND_LATCH_EDGE:
    case COMMAND_LATCH_TIME:
        latch_by(b, command == COMMAND_LATCH_EDGE);
        break;
    case COMMAND_RATE:
        b->rate = b->command.rate < b->setup->rate_most ? b->command.rate : b->setup->rate_most;
        port_rate(b->rate, b->latch.by_edge);
        break;
    default:
        break;
    }
    b->hello = true;
}

bool board_work(struct board *b)
{
    uint8_t byte;

    indicators(b);
    if (port_room() < LINE_MOST)
        return false;
    if (b->hello) {
        send_hello(b);
        return true;
    }
    if (!b->zeroed_events && port_byte(&byte)) {
        command(b, command_byte(&b->command, byte));
        return true;
    }
    return send_index(b) || send_fault(b) || send_event(b) || send_heartbeat(b);
}
