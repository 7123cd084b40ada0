/* Latching, for interrupts: the scales' pins are looked at first, so that crank and scales belong to one instant even if a scale's
 * own interrupt is still waiting for its turn. */
#ifndef INPUTS_H
#define INPUTS_H

#include "avr.h"
#include "config.h"
#include "pins.h"
#include "timer.h"

/* The scales' pins at this moment. */
struct scale_pins {
#if CH1 == SCALE
    uint8_t first;
#endif
#if CH2 == SCALE
    uint8_t second;
#endif
};

HOT struct scale_pins scales_read(void)
{
    struct scale_pins pins;

#if CH1 == SCALE
    pins.first = SCALE1_PINS();
#endif
#if CH2 == SCALE
    pins.second = SCALE2_PINS();
#endif
    return pins;
}

HOT void scales_step(struct scale_pins pins)
{
    (void)pins;
#if CH1 == SCALE
    latch_scale(&board.latch, 0, pins.first);
#endif
#if CH2 == SCALE
    latch_scale(&board.latch, 1, pins.second);
#endif
}

HOT void inputs_latch(struct scale_pins pins)
{
    uint32_t now = timer_ticks();

    scales_step(pins);
    latch_event(&board.latch, now);
}

#endif
