/* The core's port for tests on this machine: time stands until a test moves it, bytes go to and come from buffers.
 *
 * With PORT_COUNTS the edges are counted by 16-bit counters beside the processor, as some have in hardware, and the core asks for them. */
#include <string.h>

#include "board.h"
#include "port.h"

static struct board board;
static uint32_t now;
static uint8_t room = 255;
static char sent[1 << 20];
static uint32_t sent_length;
static uint8_t host[4096], gauge[4096];
static uint32_t host_at, host_length, gauge_at, gauge_length;
static uint16_t rate;
static bool by_edge, wanted, requested[CHANNELS];
static uint8_t levels, memory[128];
static uint32_t boot;
uint8_t locked;

uint32_t port_ticks(void)
{
    return now;
}

uint8_t port_room(void)
{
    return room;
}

void port_send(const char *text, uint8_t length)
{
    memcpy(sent + sent_length, text, length);
    sent_length += length;
}

bool port_byte(uint8_t *byte)
{
    if (host_at == host_length)
        return false;
    *byte = host[host_at++];
    return true;
}

bool port_gauge_byte(uint8_t *byte, uint32_t *ticks)
{
    if (gauge_at == gauge_length)
        return false;
    *byte = gauge[gauge_at++];
    *ticks = now;
    return true;
}

void port_request(uint8_t channel, bool on)
{
    requested[channel] = on;
}

void port_rate(uint16_t per_second, bool edge)
{
    rate = per_second;
    by_edge = edge;
    wanted = false;
}

void port_recall(void *to, uint8_t size)
{
    memcpy(to, memory, size);
}

void port_store(const void *from, uint8_t size)
{
    memcpy(memory, from, size);
}

uint8_t port_levels(void)
{
    return levels;
}

#ifdef PORT_COUNTS
static struct counter {
    uint16_t count, asked;
    uint8_t state;
} counter[1 + CHANNELS];

/* What the hardware does by itself. A step of both signals it takes for none. */
static bool hardware(struct counter *c, int pins)
{
    int8_t step = QUAD_STEP[c->state << 2 | pins];

    c->state = (uint8_t)pins;
    if (step != 1 && step != -1)
        return false;
    c->count = (uint16_t)(c->count + step);
    return true;
}

void port_counts(int32_t steps[1 + CHANNELS])
{
    for (int i = 0; i < 1 + CHANNELS; i++) {
        steps[i] = (int16_t)(uint16_t)(counter[i].count - counter[i].asked);
        counter[i].asked = counter[i].count;
    }
}
#endif

/* What tests call. */

static void start(enum start why)
{
    static const struct limits LIMITS = {.rate = 200, .rate_most = {380, 280}};

    memset(&board, 0, sizeof board);
    board_settings(&board);
    board_start(&board, &LIMITS, boot++, why);
}

/* The board's memory: erased (no byte), or as a test wants it. */
void t_memory(const uint8_t *bytes, int length)
{
    memset(memory, 0xFF, sizeof memory);
    memcpy(memory, bytes, (size_t)length);
}

const uint8_t *t_remembered(void)
{
    return memory;
}

void t_start(uint32_t ticks, int why)
{
    sent_length = host_at = host_length = gauge_at = gauge_length = 0;
    requested[0] = requested[1] = false;
    locked = 0;
    room = 255;
    now = ticks;
    levels = 0;
    boot = 57;
#ifdef PORT_COUNTS
    memset(counter, 0, sizeof counter);
    counter[0].count = counter[0].asked = 65530; /* runs over soon */
#endif
    start((enum start)why);
}

/* A change of the crank's pins, as a port's interrupt treats it. */
void t_crank(int pins)
{
#ifdef PORT_COUNTS
    bool counted = hardware(&counter[0], pins);
#else
    bool counted = latch_crank(&board.latch, (uint8_t)pins);
#endif
    if (counted && wanted) {
        wanted = false;
        latch_event(&board.latch, now);
    }
}

void t_scale(int channel, int pins)
{
#ifdef PORT_COUNTS
    hardware(&counter[1 + channel], pins);
#else
    latch_scale(&board.latch, (uint8_t)channel, (uint8_t)pins);
#endif
}

/* A point of the grid on which samples are wanted. */
void t_grid(void)
{
    if (by_edge)
        wanted = true;
    else
        latch_event(&board.latch, now);
}

void t_index(int high, int pins)
{
#ifdef PORT_COUNTS
    hardware(&counter[0], pins);
#endif
    latch_index(&board.latch, high, (uint8_t)pins, now);
}

void t_levels(int all)
{
    levels = (uint8_t)all;
}

void t_bit(int channel, int bit)
{
    bits_add(&board.indicator[channel].bits, bit, now);
}

void t_gauge(const char *bytes, int length)
{
    memcpy(gauge + gauge_length, bytes, (size_t)length);
    gauge_length += (uint32_t)length;
}

void t_receive(const char *bytes, int length)
{
    memcpy(host + host_length, bytes, (size_t)length);
    host_length += (uint32_t)length;
}

void t_pass(uint32_t ticks)
{
    now += ticks;
}

void t_room(int bytes)
{
    room = (uint8_t)bytes;
}

int t_requested(int channel)
{
    return requested[channel];
}

int t_rate(void)
{
    return rate;
}

/* Works until there is nothing to do, and starts anew when something was set; gives what was sent since the last call. False if a lock was left closed. */
int t_work(const char **text, uint32_t *length)
{
    for (;;) {
        while (board_work(&board)) {
        }
        if (!board.anew)
            break;
        start(START_USUAL);
    }
    *text = sent;
    *length = sent_length;
    sent_length = 0;
    return !locked;
}
