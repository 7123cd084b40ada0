/* One interrupt, two handlers. What a handler does decides how many registers it must save, and saving costs more than counting an
 * edge; so the choice is made by a bit of GPIOR0 (port_hooks.h). */
#ifndef VECTORS_H
#define VECTORS_H

#include <avr/interrupt.h>
#include <avr/io.h>

#define HANDLER(name)                                                                                                          \
    void name(void) __attribute__((signal, used, externally_visible));                                                        \
    void name(void)

/* The body of an ISR_NAKED: to `handler`, or to `if_set` if `mask` (one bit) is set. */
#define CHOOSE(mask, handler, if_set)                                                                                          \
    __asm__ __volatile__("sbis %0, %1\n\tjmp " #handler "\n\tjmp " #if_set ::"I"(_SFR_IO_ADDR(GPIOR0)), "I"(__builtin_ctz(mask)))

#endif
