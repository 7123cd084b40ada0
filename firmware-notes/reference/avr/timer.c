#include "timer.h"

#include <avr/interrupt.h>
#include <util/atomic.h>

#include "avr.h"
#include "inputs.h"
#include "port.h"
#include "vectors.h"

#define TICKS_PER_SECOND (F_CPU / 8)
#define LONGEST 20000u /* 10 ms: so often the main loop wakes at the least; inputs.c counts on it */
#define OVERLOAD 200   /* 100 us */
#define SUSPECT (uint8_t)(FLAG_CRANK_STEP | (GPIOR0 & (SCALE_1 | SCALE_2)) << 2) /* FLAG_LIFT of each scale */

uint16_t timer_overflows;

/* The samples' grid: every `parts` matches, `part` ticks apart. */
static uint16_t part = LONGEST;
static uint8_t parts = 1, parts_left = 1;

/* The timer's interrupts come after those of the pins. When they are held up for longer than any sound signal can, the board has more to
 * do than it can, and edges may be lost that no illegal step will ever show. Both look, because one alone would be misled by a delay of a
 * whole turn of the timer. */
static inline void look_for_overload(uint16_t due)
{
    if ((uint16_t)(TCNT1 - due) > OVERLOAD)
        board.latch.sticky |= SUSPECT;
}

/* Of all that count time this interrupt comes last; so the grid, which comes three times as often, does its work if it is kept from it. */
static inline void count_overflow(void)
{
    look_for_overload(0);
    timer_overflows++;
}

ISR(TIMER1_OVF_vect)
{
    count_overflow();
}

/* Two handlers for one interrupt, as for the crank (inputs.c): marking an edge as wanted takes few registers, latching many. */
ISR(TIMER1_COMPA_vect, ISR_NAKED)
{
    CHOOSE(BY_TIME, __vector_grid_marked, __vector_grid_latched);
}

/* GPIOR1 tells inputs.c when the grid last came. */
static inline void next_match(void)
{
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        uint16_t match = OCR1A;

        look_for_overload(match);
        OCR1A = match + part;
        GPIOR1 = (uint8_t)(match >> 8);
        if ((TIFR1 & _BV(TOV1)) && match < 0x8000) {
            TIFR1 = _BV(TOV1);
            count_overflow();
        }
    }
}

/* Nothing else makes events while they are made by time, so only what must belong to one instant is done with the crank held up; writing
 * it down is not. */
static inline void take_by_time(struct event *e)
{
    if (!e)
        return;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        struct scale_pins scales = scales_read();
        uint32_t now = timer_ticks();

        scales_step(scales);
        latch_fill(&board.latch, e, now);
    }
    latch_keep(&board.latch, e);
}

/* Both let others in, but not themselves: an edge that waits already may come in before the next one is marked. Else marking and latching
 * would always follow each other at once, and hold up the crank for longer than it has at 80,000 edges/s. */
static inline void grid(bool by_time)
{
    TIMSK1 &= (uint8_t)~_BV(OCIE1A);
    sei();
    next_match();
    if (!--parts_left) {
        parts_left = parts;
        if (by_time)
            take_by_time(latch_room(&board.latch));
        else
            GPIOR0 |= EDGE_WANTED;
    }
    cli();
    TIMSK1 |= _BV(OCIE1A);
}

HANDLER(__vector_grid_marked)
{
    grid(false);
}

HANDLER(__vector_grid_latched)
{
    grid(true);
}

void timer_start(void)
{
    TCCR1B = _BV(CS11); /* normal mode, clock / 8 */
    TIMSK1 = _BV(TOIE1) | _BV(OCIE1A);
}

void port_rate(uint16_t per_second, bool by_edge)
{
    uint32_t period = (TICKS_PER_SECOND + per_second / 2) / per_second;
    uint8_t pieces = (uint8_t)(1 + period / LONGEST);
    uint16_t piece = (uint16_t)(period / pieces); /* dividing takes long: not with interrupts off */

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        parts = parts_left = pieces;
        part = piece;
        uint16_t now = TCNT1;

        OCR1A = now + piece;
        GPIOR1 = (uint8_t)(now >> 8);
        TIFR1 = _BV(OCF1A); /* a match of before */
        GPIOR0 = (GPIOR0 & (uint8_t)~(EDGE_WANTED | BY_TIME)) | (by_edge ? 0 : BY_TIME);
    }
}

uint32_t port_ticks(void)
{
    uint32_t now;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        now = timer_ticks();
    }
    return now;
}
