/* One interrupt, two handlers. What a handler does decides how many registers it must save, and saving costs more than counting an
 * edge; so the choice is made by a bit of GPIOR0, which can be tested without touching a register or a flag. */
#ifndef VECTORS_H
#define VECTORS_H

#include <avr/interrupt.h>
#include <avr/io.h>

#define EDGE_WANTED 1 /* the next crank edge is to be latched */
#define BY_TIME 2     /* samples are latched by time */

/* HANDLER runs with interrupts off, OPEN_HANDLER lets others in. */
#define HANDLER(name)                                                                                                          \
    void name(void) __attribute__((signal, used, externally_visible));                                                        \
    void name(void)
#define OPEN_HANDLER(name)                                                                                                     \
    void name(void) __attribute__((interrupt, used, externally_visible));                                                     \
    void name(void)

/* The body of an ISR_NAKED: to `handler`, or to `if_set` if `mask` (one bit) is set. */
#define CHOOSE(mask, handler, if_set)                                                                                          \
    __asm__ __volatile__("sbis %0, %1\n\tjmp " #handler "\n\tjmp " #if_set ::"I"(_SFR_IO_ADDR(GPIOR0)), "I"((mask) >> 1))

#endif
