/* Pins -> core: crank, index, scales, clocked gauges. One short interrupt each. */
#include "inputs.h"

#include <avr/interrupt.h>

#include "port.h"
#include "vectors.h"

#define CLOCKED(kind) ((kind) == BCD || (kind) == FRAME24)

/* The 24-bit gauge comes through one transistor a line, which turns the signal over: clocked on the falling edge, low is 1. */
#define BIT(kind, high) ((kind) == FRAME24 ? !(high) : (high))

/* The crank, up to 80,000 times a second. */
ISR(PCINT0_vect, ISR_NAKED)
{
    CHOOSE(EDGE_WANTED, __vector_crank_counted, __vector_crank_latched);
}

/* If the next edge waits already, it is counted before a scale's interrupt gets its turn. So that a crank that is turned too fast cannot
 * starve the scales, which would lose counts and never see an illegal step, they are looked at from here. */
HANDLER(__vector_crank_counted)
{
    latch_crank(&board.latch, CRANK_PINS());
    if (PCIFR & _BV(PCIF0))
        scales_step(scales_read());
}

HANDLER(__vector_crank_latched)
{
    uint8_t crank = CRANK_PINS();
    struct scale_pins scales = scales_read(); /* at once: what comes in between is skew */

    if (!latch_crank(&board.latch, crank))
        return;
    GPIOR0 &= (uint8_t)~EDGE_WANTED;
    inputs_latch(scales);
}

#if INDEX
ISR(INT0_vect)
{
    latch_index(&board.latch, INDEX_HIGH(), CRANK_PINS(), timer_ticks());
}
#endif

/* A gauge's bits come a hundred microseconds apart and more: the crank may interrupt them. */
#if CH1 == SCALE
ISR(PCINT2_vect)
{
    latch_scale(&board.latch, 0, SCALE1_PINS());
}
#elif CLOCKED(CH1)
ISR(INT1_vect, ISR_NOBLOCK)
{
    bool bit = BIT(CH1, DATA1_HIGH());
    bits_add(&board.indicator[0].bits, bit, port_ticks());
}
#endif

#if CH2 == SCALE
ISR(PCINT1_vect)
{
    latch_scale(&board.latch, 1, SCALE2_PINS());
}
#elif CLOCKED(CH2)
ISR(PCINT1_vect, ISR_NOBLOCK)
{
    bool bit = BIT(CH2, DATA2_HIGH());
    if (!CLOCK2_HIGH())
        bits_add(&board.indicator[1].bits, bit, port_ticks());
}
#endif

void port_request(uint8_t channel, bool on)
{
    if (on)
        PORTC |= REQUEST_PIN(channel);
    else
        PORTC &= (uint8_t)~REQUEST_PIN(channel);
}

void inputs_start(void)
{
    /* Pull-ups on every input, connected or not; the request pins drive a transistor and rest low. */
    PORTB = _BV(PB5) - 1;
    PORTD = (uint8_t)~(_BV(PD0) | _BV(PD1));
    PORTC = SCALE2_MASK;
    DDRC = REQUEST_PIN(0) | REQUEST_PIN(1);
    for (volatile uint8_t settle = 0; settle < 100; settle++) {
    }

    /* The state is what the pins say, not 0: else the first edge may count as an illegal step, or as one too many. */
    quad_start(&board.latch.crank, CRANK_PINS());
    PCMSK0 = CRANK_MASK;
    PCICR = _BV(PCIE0);
#if INDEX
    EIMSK |= _BV(INT0);
#endif
    EICRA = INDEX_RISING | _BV(ISC11); /* and the falling edge of PD3, used or not */
#if CH1 == SCALE
    quad_start(&board.latch.scale[0], SCALE1_PINS());
    PCMSK2 = SCALE1_MASK;
    PCICR |= _BV(PCIE2);
#elif CLOCKED(CH1)
    EIMSK |= _BV(INT1);
#endif
#if CH2 == SCALE
    quad_start(&board.latch.scale[1], SCALE2_PINS());
    PCMSK1 = SCALE2_MASK;
    PCICR |= _BV(PCIE1);
#elif CLOCKED(CH2)
    PCMSK1 = _BV(PC0);
    PCICR |= _BV(PCIE1);
#endif
}
