/* Pins -> core: crank, index, scales, clocked gauges. One short interrupt each.
 *
 * Noise can call an interrupt faster than it can be done with. So none may interrupt itself, and one that keeps everything else waiting for
 * too long is shut off; the main loop lets it in again a little later, and says that edges may have been lost. */
#include "inputs.h"

#include <avr/interrupt.h>

#include "port.h"
#include "vectors.h"

/* Times in the timer's high byte, 128 us. */
#define GRID_LATE 96       /* 12 ms: it comes each 10 ms at the least */
#define MAIN_LOOP_LATE 128 /* 16 ms */
#define SHUT_FOR 32        /* 4 ms: some forty bytes go out meanwhile */

static uint8_t pin_changes, external; /* the interrupts that are to be enabled: PCICR and EIMSK */
static volatile uint8_t looked_at;    /* when the main loop last came by */

/* Interrupts are off, for both. The samples' grid has been kept waiting, and with it the clock and the line: few registers, for the crank. */
HOT bool grid_starved(void)
{
    return (uint8_t)((uint8_t)(TCNT1 >> 8) - GPIOR1) > GRID_LATE;
}

/* A gauge's interrupt lets others in, but keeps the main loop waiting. */
HOT bool main_loop_starved(void)
{
    return (uint8_t)((uint8_t)(TCNT1 >> 8) - looked_at) > MAIN_LOOP_LATE;
}

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
    if (PCIFR & _BV(PCIF0)) {
        scales_step(scales_read());
        if (grid_starved())
            PCICR &= (uint8_t)~_BV(PCIE0);
    }
}

HANDLER(__vector_crank_latched)
{
    uint8_t crank = CRANK_PINS();
    struct scale_pins scales = scales_read(); /* at once: what comes in between is skew */

    if (latch_crank(&board.latch, crank)) {
        GPIOR0 &= (uint8_t)~EDGE_WANTED;
        inputs_latch(scales);
    } else if ((PCIFR & _BV(PCIF0)) && grid_starved()) {
        PCICR &= (uint8_t)~_BV(PCIE0);
    }
}

/* Before all others, so only twice in each step of the main loop, which sets GPIOR2 to 0: a crank that turns round on the pulse gives two. */
ISR(INT0_vect)
{
    if (GPIOR2++)
        EIMSK &= (uint8_t)~_BV(INT0);
    latch_index(&board.latch, INDEX_HIGH(), CRANK_PINS(), timer_ticks());
}

/* A gauge's bits come a hundred microseconds apart and more: the crank may interrupt them, and every other interrupt but their own. */
HOT void take_bit(uint8_t channel, bool high)
{
    sei();
    bits_add(&board.indicator[channel].bits, high, port_ticks());
    cli();
}

ISR(INT1_vect, ISR_NAKED)
{
    CHOOSE(SERIAL_1, __vector_gauge_1, __vector_serial_1);
}

HANDLER(__vector_gauge_1)
{
    bool high = DATA1_HIGH();

    EIMSK &= (uint8_t)~_BV(INT1);
    take_bit(0, high);
    if (!(EIFR & _BV(INTF1)) || !main_loop_starved())
        EIMSK |= _BV(INT1);
}

HANDLER(__vector_serial_1)
{
    soft_uart_start_bit();
}

ISR(PCINT2_vect)
{
    latch_scale(&board.latch, 0, SCALE1_OF(PIND));
    if ((PCIFR & _BV(PCIF2)) && grid_starved())
        PCICR &= (uint8_t)~_BV(PCIE2);
}

ISR(PCINT1_vect, ISR_NAKED)
{
    CHOOSE(SCALE_2, __vector_gauge_2, __vector_scale_2);
}

HANDLER(__vector_scale_2)
{
    latch_scale(&board.latch, 1, SCALE2_OF(PINC));
    if ((PCIFR & _BV(PCIF1)) && grid_starved())
        PCICR &= (uint8_t)~_BV(PCIE1);
}

/* Read at the falling edge, as channel 1. */
HANDLER(__vector_gauge_2)
{
    bool high = DATA2_HIGH(), falling = !CLOCK2_HIGH();

    PCICR &= (uint8_t)~_BV(PCIE1);
    if (falling)
        take_bit(1, high);
    if (!(PCIFR & _BV(PCIF1)) || !main_loop_starved())
        PCICR |= _BV(PCIE1);
}

/* PCICR's bits, and this one for INT1. */
#define SHUT_INT1 0x80

static void let_in_again(uint8_t shut)
{
    struct scale_pins pins = scales_read();

    if (shut & _BV(PCIE0))
        latch_crank_missed(&board.latch, CRANK_PINS());
    if (shut & _BV(PCIE2))
        latch_scale_missed(&board.latch, 0, SCALE1_OF(pins.d));
    if (shut & _BV(PCIE1)) {
        if (LATCH_SCALE(1))
            latch_scale_missed(&board.latch, 1, SCALE2_OF(pins.c));
        else
            board.indicator[1].bits.lost++;
    }
    if (shut & SHUT_INT1)
        board.indicator[0].bits.lost++;
    PCICR = pin_changes;
    EIMSK |= external & _BV(INT1);
}

static void let_index_in_again(void)
{
    if (EIFR & _BV(INTF0)) {
        EIFR = _BV(INTF0);
        board.latch.index_missed++;
    }
    EIMSK |= _BV(INT0);
}

void inputs_look(void)
{
    static uint8_t shut_at;
    static bool were_shut;
    uint8_t before = port_lock(), now = (uint8_t)(TCNT1 >> 8), off = external & (uint8_t)~EIMSK;
    uint8_t shut = (pin_changes & (uint8_t)~PCICR) | (off & _BV(INT1) ? SHUT_INT1 : 0);

    looked_at = now;
    GPIOR2 = 0;
    if (off & _BV(INT0))
        let_index_in_again();
    if (shut && !were_shut)
        shut_at = now;
    else if (shut && (uint8_t)(now - shut_at) >= SHUT_FOR)
        let_in_again(shut);
    were_shut = shut;
    port_unlock(before);
}

void port_request(uint8_t channel, bool on)
{
    if (on)
        PORTC |= REQUEST_PIN(channel);
    else
        PORTC &= (uint8_t)~REQUEST_PIN(channel);
}

uint8_t port_levels(void)
{
    uint8_t b = PINB, c = PINC, d = PIND, levels = (b >> 1 & 1) | (uint8_t)(b << 1 & 2) | (d & 4);

    if (GPIOR0 & SCALE_1)
        levels |= (uint8_t)((d >> 2 & 8) | (d & 16)); /* PD5, PD4 */
    else
        levels |= d & 24; /* PD3, PD4 */
    if (GPIOR0 & SCALE_2)
        levels |= (uint8_t)((c << 4 & 32) | (c << 6 & 64)); /* PC1, PC0 */
    else
        levels |= (uint8_t)(c << 5 & 96); /* PC0, PC1 */
    return levels;
}

/* Interrupts are off. */
void inputs_start(void)
{
    const struct settings *s = &board.settings;
    enum indicator_kind second = s->channels == 2 ? (enum indicator_kind)s->channel[1].kind : INDICATOR_ASCII;

    /* Pull-ups on every input, connected or not; the request pins drive a transistor and rest low. */
    PORTB = _BV(PB5) - 1;
    PORTD = (uint8_t)~(_BV(PD0) | _BV(PD1));
    PORTC = SCALE2_MASK;
    DDRC = REQUEST_PIN(0) | REQUEST_PIN(1);
    for (volatile uint8_t settle = 0; settle < 100; settle++) {
    }

    GPIOR0 = 0;
    pin_changes = _BV(PCIE0);
    external = s->index ? _BV(INT0) : 0;
    PCMSK0 = CRANK_MASK;
    switch (s->channel[0].kind) {
    case INDICATOR_SCALE:
        GPIOR0 |= SCALE_1;
        pin_changes |= _BV(PCIE2);
        PCMSK2 = SCALE1_MASK;
        break;
    case INDICATOR_ASCII:
        GPIOR0 |= SERIAL_1; /* its interrupt is shut while a byte comes in: soft_uart.c */
        break;
    default:
        external |= _BV(INT1);
        break;
    }
    if (second != INDICATOR_ASCII) { /* there is a second channel */
        GPIOR0 |= second == INDICATOR_SCALE ? SCALE_2 : 0;
        pin_changes |= _BV(PCIE1);
        PCMSK1 = second == INDICATOR_SCALE ? SCALE2_MASK : _BV(PC0);
    }

    /* The state is what the pins say, not 0: else the first edge may count as an illegal step, or as one too many. */
    quad_start(&board.latch.crank, CRANK_PINS());
    quad_start(&board.latch.scale[0], SCALE1_OF(PIND));
    quad_start(&board.latch.scale[1], SCALE2_OF(PINC));
    EICRA = INDEX_RISING | _BV(ISC11); /* and the falling edge of PD3, used or not */
    EIFR = _BV(INTF0) | _BV(INTF1);    /* an edge of before */
    GPIOR1 = looked_at = (uint8_t)(TCNT1 >> 8);
    PCICR = pin_changes;
    EIMSK = external;
    if (GPIOR0 & SERIAL_1)
        soft_uart_start();
}
