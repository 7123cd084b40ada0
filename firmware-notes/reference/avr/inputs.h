/* Latching, for interrupts: the scales' pins are looked at first, so that crank and scales belong to one instant even if a scale's
 * own interrupt is still waiting for its turn. */
#ifndef INPUTS_H
#define INPUTS_H

#include "avr.h"
#include "config.h"
#include "pins.h"
#include "timer.h"

HOT void inputs_scales(void)
{
#if CH1 == SCALE
    latch_scale(&board.latch, 0, SCALE1_PINS());
#endif
#if CH2 == SCALE
    latch_scale(&board.latch, 1, SCALE2_PINS());
#endif
}

HOT void inputs_latch(void)
{
    uint32_t now = timer_ticks();

    inputs_scales();
    latch_event(&board.latch, now);
}

#endif
