/* The lock of tests on this machine: it only notes whether it is closed, so that a test can see one left so. */
#ifndef PORT_LOCK_H
#define PORT_LOCK_H

#include <stdint.h>

#include "hot.h"

extern uint8_t locked;

HOT uint8_t port_lock(void)
{
    uint8_t before = locked;

    locked = 1;
    return before;
}

HOT void port_unlock(uint8_t before)
{
    locked = before;
}

#endif
