/* Timer 1 at 2 MHz is the clock; each overflow (32.768 ms) is counted. */
#ifndef TIMER_H
#define TIMER_H

#include <avr/io.h>
#include <stdint.h>

#include "hot.h"

extern uint16_t timer_overflows;

/* Ticks now; interrupts must be off. An overflow that has not been counted yet is seen by its flag. */
HOT uint32_t timer_ticks(void)
{
    uint16_t low = TCNT1, high = timer_overflows;

    if ((TIFR1 & _BV(TOV1)) && !(low & 0x8000))
        high++;
    return (uint32_t)high << 16 | low;
}

#endif
