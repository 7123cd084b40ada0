/* Included in front of latch.h: going up the index interrupt comes at the rising edge, going down at the falling one, so that a pulse costs
 * one interrupt and not two. */
#ifndef TURNED_H
#define TURNED_H

#include <avr/io.h>

#define INDEX_RISING (_BV(ISC01) | _BV(ISC00))
/* Choosing an edge may raise the interrupt by itself (data sheet): that one is thrown away. */
#define LATCH_TURNED(down) (EICRA ^= _BV(ISC00), EIFR = _BV(INTF0))

#endif
