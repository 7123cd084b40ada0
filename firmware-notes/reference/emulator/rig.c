#include "rig.h"

#include <simavr/avr_extint.h>
#include <simavr/sim_cycle_timers.h>

static avr_t *avr;
static const struct script *script;
static FILE *log_file;
static struct counts counts;
static avr_cycle_count_t begin;

/* Quadrature states 2A + B in the positive direction. */
static const uint8_t STATE[4] = {0, 2, 3, 1};

static struct quadrature {
    struct pin a, b;
    uint8_t phase;
    size_t knot;  /* the segment from this knot to the next ... */
    int64_t done; /* ... and how many of its edges are done */
} quadrature[SIGNALS];

static struct pin index_pin;
static int index_high;

static void log_edge(int32_t count, int32_t signal)
{
    struct edge e = {avr->cycle, count, signal};

    if (log_file)
        fwrite(&e, sizeof e, 1, log_file);
}

static void show_index(int first)
{
    if (!script->index_width)
        return;
    long at = (counts.count[0] - script->index_position) % script->cpr;
    int high = (at < 0 ? at + script->cpr : at) < script->index_width;
    if (high == index_high && !first)
        return;
    index_high = high;
    pin_drive(&index_pin, high);
    if (first)
        return;
    counts.pulses += high;
    log_edge((int32_t)counts.count[0], high ? 3 : 4);
}

static void show(const struct quadrature *q)
{
    pin_drive(&q->a, STATE[q->phase] >> 1);
    pin_drive(&q->b, STATE[q->phase] & 1);
}

static void move(int signal, int by)
{
    struct quadrature *q = &quadrature[signal];
    uint8_t before = STATE[q->phase];

    q->phase = (uint8_t)(q->phase + by) & 3;
    counts.count[signal] += by;
    counts.edges[signal]++;
    log_edge((int32_t)counts.count[signal], signal);
    if ((before ^ STATE[q->phase]) & 2)
        pin_drive(&q->a, STATE[q->phase] >> 1);
    if ((before ^ STATE[q->phase]) & 1)
        pin_drive(&q->b, STATE[q->phase] & 1);
    if (signal == 0)
        show_index(0);
}

/* The cycle of the next edge of a signal, 0 if there is none left. */
static avr_cycle_count_t next_edge(int signal)
{
    struct quadrature *q = &quadrature[signal];

    for (; q->knot + 1 < script->knot_count; q->knot++, q->done = 0) {
        const struct knot *k = &script->knots[q->knot];
        int64_t edges = k[1].count[signal] - k[0].count[signal], span = (int64_t)CYCLES(k[1].us - k[0].us);
        edges = edges < 0 ? -edges : edges;
        if (q->done < edges)
            return begin + CYCLES(k->us) + (avr_cycle_count_t)((2 * q->done + 1) * span / (2 * edges));
    }
    return 0;
}

static avr_cycle_count_t edge_timer(avr_t *a, avr_cycle_count_t when, void *parameter)
{
    int signal = (int)(intptr_t)parameter;
    struct quadrature *q = &quadrature[signal];
    const struct knot *k = &script->knots[q->knot];

    (void)a;
    (void)when;
    q->done++;
    move(signal, k[1].count[signal] > k[0].count[signal] ? 1 : -1);
    return next_edge(signal);
}

static int moves(int signal)
{
    return signal == 0 || script->gauge[signal].kind == SCALE;
}

void rig_attach(avr_t *a, const struct script *s, FILE *edges)
{
    avr = a;
    script = s;
    log_file = edges;
    for (int i = 0; i < SIGNALS; i++) {
        struct quadrature *q = &quadrature[i];
        counts.count[i] = s->knots[0].count[i];
        q->phase = (uint8_t)(counts.count[i] & 3);
        q->a = pin_of(avr, "BDC"[i], i == 1 ? 5 : 1);
        q->b = pin_of(avr, "BDC"[i], i == 1 ? 4 : 0);
    }
    index_pin = pin_of(avr, 'D', 2);
    gauges_attach(a, s, &counts);
    rig_after_reset();
}

static avr_cycle_count_t never_before(avr_cycle_count_t when)
{
    return when > avr->cycle ? when - avr->cycle : 1;
}

static void start_edges(void)
{
    for (int i = 0; i < SIGNALS; i++) {
        avr_cycle_count_t when = moves(i) ? next_edge(i) : 0;
        if (when)
            avr_cycle_timer_register(avr, never_before(when), edge_timer, (void *)(intptr_t)i);
    }
}

void rig_begin(avr_cycle_count_t at)
{
    begin = at;
    start_edges();
    gauges_begin(at);
}

void rig_hold(void)
{
    for (int i = 0; i < SIGNALS; i++)
        avr_cycle_timer_cancel(avr, edge_timer, (void *)(intptr_t)i);
}

void rig_resume(avr_cycle_count_t held)
{
    begin += held;
    start_edges();
    gauges_resume(held);
}

void rig_after_reset(void)
{
    /* Else a low INT0 or INT1 pin is looked at in every single cycle, interrupt enabled or not: ten times slower. */
    avr_extint_set_strict_lvl_trig(avr, 0, 0);
    avr_extint_set_strict_lvl_trig(avr, 1, 0);
    for (int i = 0; i < SIGNALS; i++)
        if (moves(i))
            show(&quadrature[i]);
    show_index(1);
    gauges_after_reset();
    if (begin)
        start_edges();
}

/* One pin at a time: turned over and back again, whatever else drives it. */
static struct {
    avr_cycle_count_t half;
    long left; /* half periods */
} noise;

static avr_cycle_count_t noise_timer(avr_t *a, avr_cycle_count_t when, void *parameter)
{
    (void)a;
    (void)parameter;
    pin_turn_over();
    return --noise.left ? when + noise.half : 0;
}

static void make_noise(const struct action *action)
{
    struct pin pin = pin_of(avr, action->port, action->bit);

    pin_noise(&pin);
    noise.half = HZ / 2000 / (avr_cycle_count_t)action->khz;
    noise.left = 2L * action->pulses;
    avr_cycle_timer_register(avr, 1, noise_timer, NULL);
}

void rig_do(const struct action *action)
{
    if (action->kind == JUMP)
        move(action->number, 2);
    else if (action->kind == NOISE)
        make_noise(action);
    else
        gauges_do(action);
}

const struct counts *rig_counts(void)
{
    return &counts;
}
