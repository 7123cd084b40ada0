/* A serial gauge on PD3, received by timer: the chip's one UART belongs to the host. 8 data bits, one stop bit. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "avr.h"
#include "config.h"
#include "pins.h"
#include "port.h"
#include "timer.h"

#define BIT_TICKS (F_CPU / 8 / ASCII_BAUD)
#define MASK 15

static struct {
    uint16_t at; /* of the start bit: fetched long before the timer has gone round */
    uint8_t byte;
} ring[MASK + 1];
static volatile uint8_t head, tail;
static uint16_t began;
static uint8_t shift, bits;

/* The start bit. Like all of a gauge's, this may be interrupted by the crank. The next one is waited for when this byte has come in. */
void soft_uart_start_bit(void)
{
    EIMSK &= (uint8_t)~_BV(INT1);
    NONATOMIC_BLOCK(NONATOMIC_FORCEOFF)
    {
        began = (uint16_t)port_ticks();
        bits = 0;
        ATOMIC_BLOCK(ATOMIC_FORCEON)
        {
            OCR1B = began + BIT_TICKS * 3 / 2;
            TIMSK1 |= _BV(OCIE1B);
        }
    }
}

static void keep(bool sound)
{
    uint8_t next = (head + 1) & MASK;

    if (next == tail)
        return;
    ring[head].at = began;
    ring[head].byte = sound ? shift : '?'; /* no stop bit: the line it stands in will be refused */
    head = next;
}

/* The middle of each data bit, then of the stop bit. A match of before, which comes too early, is let go (its flag is not cleared by hand: the
 * emulator would clear all of the timer's with it). */
ISR(TIMER1_COMPB_vect)
{
    bool high = CLOCK1_HIGH();

    if ((int16_t)(TCNT1 - OCR1B) < 0)
        return;
    bool last = bits++ == 8;
    OCR1B += BIT_TICKS;
    TIMSK1 &= (uint8_t)~_BV(OCIE1B);
    sei();
    if (last)
        keep(high);
    else
        shift = (uint8_t)(shift >> 1 | (high ? 0x80 : 0));
    cli();
    if (!last) {
        TIMSK1 |= _BV(OCIE1B);
        return;
    }
    EIFR = _BV(INTF1);
    EIMSK |= _BV(INT1);
}

/* Interrupts are off. */
void soft_uart_start(void)
{
    TIMSK1 &= (uint8_t)~_BV(OCIE1B);
    head = tail = 0;
    EIMSK |= _BV(INT1);
}

bool port_gauge_byte(uint8_t *byte, uint32_t *ticks)
{
    if (head == tail)
        return false;
    *byte = ring[tail].byte;
    *ticks = port_ticks();
    *ticks -= (uint16_t)(*ticks - ring[tail].at);
    tail = (tail + 1) & MASK;
    return true;
}
