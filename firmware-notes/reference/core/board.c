#include "board.h"

#include "port.h"

#define HEARTBEAT MS_TICKS(200)
#define SILENCE MS_TICKS(900) /* a frame of some kind each second is required */

void board_settings(struct board *b)
{
    b->faults.number[FAULT_SETTINGS] = !settings_recall(&b->settings);
}

void board_start(struct board *b, const struct limits *limits, uint32_t boot, enum start why)
{
    b->limits = limits;
    b->boot = boot;
    b->rate = limits->rate;
    b->faults.number[FAULT_RESTART] = why;
    latch_start(&b->latch);
    b->sampled = b->moved = port_ticks();
    for (uint8_t c = 0; c < b->settings.channels; c++)
        indicator_start(&b->indicator[c], &b->settings.channel[c], limits->turned_over, b->sampled);
    b->hello = true;
    port_send("\n", 1); /* ends a line that the fall of the supply cut short, so that it cannot swallow the hello */
    port_rate(b->rate, true);
}

/* A count that an interrupt may be changing. */
static uint32_t steady(struct board *b, const struct count *count)
{
    uint8_t before = port_lock();
    latch_counts(&b->latch);
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

    for (uint8_t c = 0; c < b->settings.channels; c++) {
        struct indicator *i = &b->indicator[c];
        uint32_t doubtful = i->refused + i->jumped;

        indicator_work(i, c, now);
        if (i->refused + i->jumped == doubtful)
            continue;
        uint8_t before = port_lock();
        b->latch.sticky |= FLAG_LIFT(c);
        port_unlock(before);
    }
}

static void send_hello(struct board *b)
{
    b->hello = false;
    frame_hello(&b->line, &b->settings, b->seq, clock_us(&b->clock, port_ticks()), b->latch.by_edge, b->rate, b->boot);
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
    latch_index_drop(&b->latch);
    port_unlock(before);
    return true;
}

static void count_missed_indexes(struct board *b)
{
    if (!*(volatile uint8_t *)&b->latch.index_missed)
        return;
    uint8_t before = port_lock();
    uint8_t missed = latch_index_missed(&b->latch);
    port_unlock(before);
    drop(b, missed);
}

static bool send_fault(struct board *b)
{
    uint32_t now = port_ticks();
    enum fault which;

    b->faults.number[FAULT_CRANK_STEP] = steady(b, &b->latch.crank.illegal);
    for (uint8_t c = 0; c < b->settings.channels; c++) {
        const struct indicator *i = &b->indicator[c];
        uint8_t silent = FAULT_LIFT1_SILENT + c;

        b->faults.number[FAULT_LIFT1_BAD + c] = i->refused;
        b->faults.number[FAULT_LIFT1_JUMP + c] = i->jumped;
        if (i->kind == INDICATOR_SCALE)
            b->faults.number[FAULT_LIFT1_STEP + c] = steady(b, &b->latch.scale[c].illegal);
        else
            b->faults.number[silent] = indicator_age(i, now) > (int32_t)MS_TICKS(1000)
                                           ? (uint32_t)indicator_age(i, now) / MS_TICKS(1)
                                           : b->faults.told[silent];
    }
    if (!faults_due(&b->faults, now, &which))
        return false;
    frame_fault(&b->line, b->seq++, clock_us(&b->clock, now), fault_word(which), (int32_t)b->faults.number[which]);
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
    for (uint8_t c = 0; c < b->settings.channels; c++) {
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
    frame_sample(&b->line, kind, &s, b->settings.channels);
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

/* What is true now, asked for by no edge and no grid; false if something latched before it waits still. */
static bool send_now(struct board *b, char kind)
{
    struct event e = {0};
    uint8_t before = port_lock();
    bool first = !b->latch.waiting;

    if (first)
        latch_fill(&b->latch, &e, port_ticks());
    port_unlock(before);
    if (first)
        send_sample(b, kind, &e, kind == 'S' && b->latch.by_edge ? FLAG_BY_TIME : 0, false);
    return first;
}

/* No edge for a while: the crank stands. Edges, but at a rate so low that none was wanted: a sample all the same. */
static bool send_heartbeat(struct board *b)
{
    uint32_t now = port_ticks(), crank = steady(b, &b->latch.crank.count);

    if (crank != b->moved_to) {
        b->moved_to = crank;
        b->moved = now;
    }
    bool stands = now - b->moved >= HEARTBEAT;
    if (!b->latch.by_edge || now - b->sampled < (stands ? HEARTBEAT : SILENCE))
        return false;
    return send_now(b, stands ? 'B' : 'S');
}

/* One input each time: the crank, then the channels. */
static void send_test(struct board *b)
{
    uint8_t number = b->settings.channels - --b->testing;
    uint32_t now = port_ticks(), time = clock_us(&b->clock, now);
    struct test t = {.levels = port_levels()};

    if (!number) {
        t.count = (int32_t)steady(b, &b->latch.crank.count);
        t.bad = steady(b, &b->latch.crank.illegal);
        frame_test_crank(&b->line, b->seq++, time, &t);
        send(b);
        return;
    }
    const struct indicator *i = &b->indicator[number - 1];
    const struct quad *scale = &b->latch.scale[number - 1];
    if (i->kind == INDICATOR_SCALE) {
        t.count = (int32_t)steady(b, &scale->count);
        t.bad = steady(b, &scale->illegal);
    } else {
        t.count = i->lift;
        t.bad = i->refused;
        t.age = (uint32_t)indicator_age(i, now) / TICKS_PER_US;
        t.raw = indicator_raw(i, &t.raw_count);
    }
    frame_test_channel(&b->line, b->seq++, time, &t, number - 1, i->kind);
    send(b);
}

static void send_settings(struct board *b)
{
    frame_settings(&b->line, b->seq++, clock_us(&b->clock, port_ticks()), &b->settings);
    send(b);
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

static void set(struct board *b)
{
    if (settings_set(&b->settings, b->command.text + COMMAND_SET_AT)) {
        settings_store(&b->settings);
        b->anew = true;
    } else {
        b->faults.number[FAULT_COMMAND] = b->command.lines;
    }
}

static void command(struct board *b, enum command command)
{
    switch (command) {
    case COMMAND_NONE:
        return;
    case COMMAND_BAD:
        b->faults.number[FAULT_COMMAND] = b->command.lines;
        return;
    case COMMAND_SET:
        set(b);
        return;
    case COMMAND_SETTINGS:
        send_settings(b);
        return;
    case COMMAND_TEST:
        b->testing = 1 + b->settings.channels;
        return;
    default:
        break;
    }
    /* A hello names the next number. Behind numbers that were dropped it would look like a new start, so something carries them first. */
    if (b->dropped && !send_event(b) && !send_now(b, 'S'))
        send_event(b);
    switch (command) {
    case COMMAND_ZERO:
        zero(b);
        break;
    case COMMAND_LATCH_EDGE:
    case COMMAND_LATCH_TIME:
        latch_by(b, command == COMMAND_LATCH_EDGE);
        break;
    case COMMAND_RATE: {
        uint16_t most = b->limits->rate_most[b->settings.channels - 1];
        b->rate = b->command.rate < most ? b->command.rate : most;
        port_rate(b->rate, b->latch.by_edge);
        break;
    }
    default:
        break;
    }
    b->hello = true;
}

bool board_work(struct board *b)
{
    uint8_t byte;

    indicators(b);
    count_missed_indexes(b);
    if (b->anew || port_room() < LINE_MOST)
        return false;
    if (b->hello) {
        send_hello(b);
        return true;
    }
    /* A second `zero` waits for what was latched before the first. */
    if (!b->zeroed_events && !b->zeroed_index && port_byte(&byte)) {
        command(b, command_byte(&b->command, byte));
        return true;
    }
    if (b->testing) {
        send_test(b);
        return true;
    }
    /* An index comes first, but not twice: one that noise gives without end may not keep everything else from the line. */
    if (!b->indexed && send_index(b)) {
        b->indexed = true;
        return true;
    }
    b->indexed = false;
    return send_fault(b) || send_event(b) || send_heartbeat(b) || send_index(b);
}
