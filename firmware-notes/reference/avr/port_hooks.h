/* Included in front of every file (Makefile): what this port does better than the core by itself. */
#ifndef PORT_HOOKS_H
#define PORT_HOOKS_H

#include <avr/io.h>
#include <avr/pgmspace.h>

#define TEXT(literal) PSTR(literal)
#define TEXT_KEPT PROGMEM
#define TEXT_CHAR(pointer) ((char)pgm_read_byte(pointer))

/* Bits of GPIOR0, which can be tested and changed without touching a register or a flag. */
#define EDGE_WANTED 1 /* the next crank edge is to be latched */
#define BY_TIME 2     /* samples are latched by time */
#define SCALE_1 4     /* channel 1 is a quadrature scale ... */
#define SCALE_2 8     /* ... and channel 2 */
#define SERIAL_1 16   /* channel 1 is a serial gauge */

#define LATCH_SCALE(channel) ((GPIOR0 & ((channel) ? SCALE_2 : SCALE_1)) != 0)

/* Going up the index interrupt comes at the rising edge, going down at the falling one, so that a pulse costs one interrupt and not two.
 * Choosing an edge may raise the interrupt by itself (data sheet): that one is thrown away. */
#define INDEX_RISING (_BV(ISC01) | _BV(ISC00))
#define LATCH_TURNED(down) (EICRA ^= _BV(ISC00), EIFR = _BV(INTF0))

#endif
