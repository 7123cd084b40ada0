/* Where everything is connected on the ATmega328P; firmware-notes/wiring.md says the same in words.
 *
 * The crank is on port B, whose pin-change interrupt comes before those of the other ports: nothing but the interrupt that
 * is running can delay it. */
#ifndef PINS_H
#define PINS_H

#include <avr/io.h>

/* PB1 A, PB0 B: the state is 2A + B. */
#define CRANK_MASK (_BV(PB1) | _BV(PB0))
#define CRANK_PINS() ((uint8_t)(PINB & 3))

/* PD2 index (INT0). */
#define INDEX_HIGH() ((PIND & _BV(PD2)) != 0)

/* Channel 1. A scale: PD5 A, PD4 B. A clocked gauge: PD3 clock (INT1), PD4 data, PC2 request. A serial gauge: PD3. */
#define SCALE1_MASK (_BV(PD5) | _BV(PD4))
#define SCALE1_OF(port_d) ((uint8_t)((port_d) >> 4 & 3))
#define CLOCK1_HIGH() ((PIND & _BV(PD3)) != 0)
#define DATA1_HIGH() ((PIND & _BV(PD4)) != 0)

/* Channel 2. A scale: PC1 A, PC0 B. A clocked gauge: PC0 clock, PC1 data, PC3 request. */
#define SCALE2_MASK (_BV(PC1) | _BV(PC0))
#define SCALE2_OF(port_c) ((uint8_t)((port_c) & 3))
#define CLOCK2_HIGH() ((PINC & _BV(PC0)) != 0)
#define DATA2_HIGH() ((PINC & _BV(PC1)) != 0)

#define REQUEST_PIN(channel) (uint8_t)(_BV(PC2) << (channel))

#endif
