/* Indicators that send their reading: bit patterns on a clock and a data line, or characters on one. */
#include <simavr/sim_cycle_timers.h>
#include <stdlib.h>
#include <string.h>

#include "rig.h"

#define BIT_US 200       /* of a clocked frame */
#define CHARACTER_US 104 /* one bit at 9600 baud */

static avr_t *avr;
static const struct script *script;
static struct counts *counts;
static avr_cycle_count_t begin;

static struct gauge {
    struct pin clock, data;
    uint8_t bits[256]; /* one element a bit, in order of sending */
    int length, at;    /* half bits of a clocked frame, bits of characters */
    int sending, asked, hushed, spoiled;
} gauges[SIGNALS];

static void put(struct gauge *g, uint32_t value, int bits)
{
    for (int i = 0; i < bits; i++)
        g->bits[g->length++] = value >> i & 1;
}

static void make_bcd(struct gauge *g, const struct gauge_setup *setup, int32_t lift)
{
    uint32_t digits = (uint32_t)labs(lift), power = 100000;

    put(g, 0xFFFF, 16);
    put(g, lift < 0 ? 8 : 0, 4);
    for (; power; power /= 10)
        put(g, digits / power % 10, 4);
    put(g, (uint32_t)setup->decimals, 4);
    put(g, setup->inch, 4);
    if (g->spoiled)
        g->bits[20] = g->bits[21] = g->bits[22] = g->bits[23] = 1; /* 15 is no decimal digit */
}

/* Counts of an inch gauge are ten thousandths; it knows half thousandths. */
static void make_24bit(struct gauge *g, const struct gauge_setup *setup, int32_t lift)
{
    put(g, (uint32_t)(setup->inch ? labs(lift) / 5 : labs(lift)), 16);
    put(g, (lift < 0 ? 0x10 : 0) | (setup->inch ? 0x80 : 0), 8);
    if (g->spoiled)
        g->length -= 3;
    for (int i = 0; i < g->length; i++)
        g->bits[i] ^= 1; /* a transistor on each line: at the pin, low is 1 */
}

static void make_ascii(struct gauge *g, const struct gauge_setup *setup, int32_t lift)
{
    char text[24];
    int scale = 1;

    for (int i = 0; i < setup->decimals; i++)
        scale *= 10;
    snprintf(text, sizeof text, "%c%d.%0*d%s\r\n", lift < 0 ? '-' : '+', abs(lift) / scale, setup->decimals, abs(lift) % scale,
             g->spoiled ? "??" : "");
    for (const char *p = text; *p; p++) {
        put(g, 0, 1);
        put(g, (uint8_t)*p, 8);
        put(g, 1, 1);
    }
}

static void make(int channel)
{
    struct gauge *g = &gauges[channel];
    const struct gauge_setup *setup = &script->gauge[channel];
    int64_t us = (int64_t)((avr->cycle - begin) / (HZ / 1000000));
    int32_t lift = script_count(script, channel, us);

    g->length = g->at = 0;
    counts->count[channel] = lift;
    counts->readings[channel]++;
    if (setup->kind == BCD)
        make_bcd(g, setup, lift);
    else if (setup->kind == FRAME24)
        make_24bit(g, setup, lift);
    else
        make_ascii(g, setup, lift);
    g->spoiled = 0;
}

/* Half a bit of a clocked frame: data and clock up, then clock down, where the data are read. */
static avr_cycle_count_t send_clocked(avr_t *a, avr_cycle_count_t when, void *parameter)
{
    struct gauge *g = parameter;

    (void)a;
    if (g->at == 2 * g->length) {
        pin_drive(&g->clock, 1);
        pin_drive(&g->data, 1);
        g->sending = 0;
        return 0;
    }
    if (g->at & 1) {
        pin_drive(&g->clock, 0);
    } else {
        pin_drive(&g->clock, 1);
        pin_drive(&g->data, g->bits[g->at / 2]);
    }
    g->at++;
    return when + CYCLES(BIT_US / 2);
}

static avr_cycle_count_t send_characters(avr_t *a, avr_cycle_count_t when, void *parameter)
{
    struct gauge *g = parameter;

    (void)a;
    pin_drive(&g->clock, g->at < g->length ? g->bits[g->at] : 1);
    if (g->at++ < g->length)
        return when + CYCLES(CHARACTER_US);
    g->sending = 0;
    return 0;
}

static void start_sending(struct gauge *g, int64_t in_us, avr_cycle_timer_t how)
{
    g->sending = 1;
    avr_cycle_timer_register(avr, CYCLES(in_us), how, g);
}

/* Gauges that send unasked. */
static avr_cycle_count_t period(avr_t *a, avr_cycle_count_t when, void *parameter)
{
    int channel = (int)(intptr_t)parameter;
    struct gauge *g = &gauges[channel];
    const struct gauge_setup *setup = &script->gauge[channel];

    (void)a;
    if (!g->sending && !g->hushed) {
        make(channel);
        start_sending(g, 1, setup->kind == ASCII ? send_characters : send_clocked);
    }
    return when + CYCLES(setup->time_us);
}

static void requested(avr_irq_t *irq, uint32_t value, void *parameter)
{
    int channel = (int)(intptr_t)parameter;
    struct gauge *g = &gauges[channel];

    (void)irq;
    if ((value & 1) && !g->asked && !g->sending && !g->hushed && begin) {
        make(channel);
        start_sending(g, script->gauge[channel].time_us, send_clocked);
    }
    g->asked = value & 1;
}

static int sends(int channel)
{
    return script->gauge[channel].kind > SCALE;
}

void gauges_attach(avr_t *a, const struct script *s, struct counts *c)
{
    static const struct {
        char port;
        int clock, data, request;
    } PIN[SIGNALS] = {[1] = {'D', 3, 4, 2}, [2] = {'C', 0, 1, 3}};

    avr = a;
    script = s;
    counts = c;
    for (int i = 1; i < SIGNALS; i++) {
        if (!sends(i))
            continue;
        gauges[i].clock = pin_of(avr, PIN[i].port, PIN[i].clock);
        gauges[i].data = pin_of(avr, PIN[i].port, PIN[i].data);
        if (s->gauge[i].kind == BCD)
            avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('C'), PIN[i].request), requested, (void *)(intptr_t)i);
    }
}

void gauges_begin(avr_cycle_count_t at)
{
    begin = at;
    for (int i = 1; i < SIGNALS; i++)
        if (sends(i) && script->gauge[i].kind != BCD)
            avr_cycle_timer_register(avr, 1, period, (void *)(intptr_t)i);
}

void gauges_resume(avr_cycle_count_t held)
{
    begin += held;
}

void gauges_after_reset(void)
{
    for (int i = 1; i < SIGNALS; i++) {
        if (!sends(i))
            continue;
        gauges[i].sending = gauges[i].asked = 0;
        pin_drive(&gauges[i].clock, 1);
        if (script->gauge[i].kind != ASCII)
            pin_drive(&gauges[i].data, 1);
    }
    if (begin)
        gauges_begin(begin);
}

void gauges_do(const struct action *action)
{
    struct gauge *g = &gauges[action->number];

    if (action->kind == SPOIL)
        g->spoiled = 1;
    else
        g->hushed = action->kind == HUSH;
}
