/* The core's port for tests on this machine: time stands until a test moves it, bytes go to and come from buffers. */
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

/* What tests call. */

void t_start(int kind1, int kind2, int inch, int decimals, uint32_t ticks)
{
    static struct setup setup;

    memset(&board, 0, sizeof board);
    memset(&setup, 0, sizeof setup);
    sent_length = host_at = host_length = gauge_at = gauge_length = 0;
    requested[0] = requested[1] = false;
    locked = 0;
    room = 255;
    now = ticks;
    setup.identity.cpr = "2400";
    setup.identity.index = true;
    setup.identity.name = "bench-a";
    setup.identity.step[0] = "0.01mm";
    setup.identity.step[1] = kind2 ? "0.005mm" : 0;
    setup.kind[0] = (enum indicator_kind)kind1;
    setup.kind[1] = (enum indicator_kind)kind2;
    setup.unit[0].inch = setup.unit[1].inch = inch;
    setup.unit[0].decimals = setup.unit[1].decimals = (uint8_t)decimals;
    setup.rate = 200;
    setup.rate_most = 380;
    board_start(&board, &setup, 57);
}

/* A change of the crank's pins, as a port's interrupt treats it. */
void t_crank(int pins)
{
    if (latch_crank(&board.latch, (uint8_t)pins) && wanted) {
        wanted = false;
        latch_event(&board.latch, now);
    }
}

void t_scale(int channel, int pins)
{
    latch_scale(&board.latch, (uint8_t)channel, (uint8_t)pins);
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
    latch_index(&board.latch, high, (uint8_t)pins, now);
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

/* Works until there is nothing to do; gives what was sent since the last call. False if a lock was left closed. */
int t_work(const char **text, uint32_t *length)
{
    while (board_work(&board)) {
    }
    *text = sent;
    *length = sent_length;
    sent_length = 0;
    return !locked;
}
