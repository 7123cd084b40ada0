/* A serial gauge on PD3, received by timer: the chip's one UART belongs to the host. 8 data bits, one stop bit. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "avr.h"
#include "config.h"
#include "pins.h"
#include "port.h"
#include "timer.h"

#if CH1 == ASCII

#define BIT_TICKS (F_CPU / 8 / ASCII_BAUD)
#define MASK 15

static struct {
    uint32_t at; /* of the start bit */
    uint8_t byte;
} ring[MASK + 1];
static volatile uint8_t head, tail;
static uint32_t began;
static uint8_t shift, bits;

/* The start bit. Like all of a gauge's, this may be interrupted by the crank. */
ISR(INT1_vect)
{
    EIMSK &= (uint8_t)~_BV(INT1);
    NONATOMIC_BLOCK(NONATOMIC_FORCEOFF)
    {
        began = port_ticks();
        bits = 0;
        ATOMIC_BLOCK(ATOMIC_FORCEON)
        {
            OCR1B = (uint16_t)began + BIT_TICKS * 3 / 2;
            TIFR1 = _BV(OCF1B);
            TIMSK1 |= _BV(OCIE1B);
        }
    }
}

/* The middle of each data bit, then of the stop bit. */
ISR(TIMER1_COMPB_vect, ISR_NOBLOCK)
{
    bool high = CLOCK1_HIGH();

    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        OCR1B += BIT_TICKS;
    }
    if (bits++ < 8) {
        shift = (uint8_t)(shift >> 1 | (high ? 0x80 : 0));
        return;
    }
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        TIMSK1 &= (uint8_t)~_BV(OCIE1B);
        EIFR = _BV(INTF1);
        EIMSK |= _BV(INT1);
    }
    uint8_t next = (head + 1) & MASK;
    if (next == tail)
        return;
    ring[head].at = began;
    ring[head].byte = high ? shift : '?'; /* no stop bit: the line it stands in will be refused */
    head = next;
}

void soft_uart_start(void)
{
    EIMSK |= _BV(INT1);
}

bool port_gauge_byte(uint8_t *byte, uint32_t *ticks)
{
    if (head == tail)
        return false;
    *byte = ring[tail].byte;
    *ticks = ring[tail].at;
    tail = (tail + 1) & MASK;
    return true;
}

#else

void soft_uart_start(void)
{
}

bool port_gauge_byte(uint8_t *byte, uint32_t *ticks)
{
    (void)byte;
    (void)ticks;
    return false;
}

#endif
