/* Latching, for interrupts: the scales' pins are looked at first, so that crank and scales belong to one instant even if a scale's
 * own interrupt is still waiting for its turn. */
#ifndef INPUTS_H
#define INPUTS_H

#include "avr.h"
#include "pins.h"
#include "timer.h"

/* The scales' pins at this moment, scales or not. */
struct scale_pins {
    uint8_t d, c;
};

HOT struct scale_pins scales_read(void)
{
    struct scale_pins pins = {PIND, PINC};

    return pins;
}

HOT void scales_step(struct scale_pins pins)
{
    if (LATCH_SCALE(0))
        latch_scale(&board.latch, 0, SCALE1_OF(pins.d));
    if (LATCH_SCALE(1))
        latch_scale(&board.latch, 1, SCALE2_OF(pins.c));
}

HOT void inputs_latch(struct scale_pins pins)
{
    uint32_t now = timer_ticks();

    scales_step(pins);
    latch_event(&board.latch, now);
}

#endif
