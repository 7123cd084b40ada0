/* Interrupts off and back; inline, because a call with interrupts off would double the time. */
#ifndef PORT_LOCK_H
#define PORT_LOCK_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

#include "hot.h"

HOT uint8_t port_lock(void)
{
    uint8_t before = SREG;

    cli();
    return before;
}

HOT void port_unlock(uint8_t before)
{
    __asm__ __volatile__("" ::: "memory");
    SREG = before;
}

#endif
