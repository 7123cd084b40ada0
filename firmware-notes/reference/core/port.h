/* What a board must give the core. Bringing up another processor means writing these, and the interrupts that call
 * latch_crank, latch_scale, latch_event, latch_index and bits_add (see ../avr/ and bring-up.md). */
#ifndef PORT_H
#define PORT_H

#include <stdbool.h>
#include <stdint.h>

/* The port's own: `HOT uint8_t port_lock(void)`, interrupts off, gives what `HOT void port_unlock(uint8_t before)` needs to restore them. */
#include "port_lock.h"

uint32_t port_ticks(void); /* half microseconds since the start, running over at 2^32 */

uint8_t port_room(void); /* bytes that may be handed to port_send now without waiting */
void port_send(const char *text, uint8_t length);
bool port_byte(uint8_t *byte); /* the next byte from the host, if there is one */

bool port_gauge_byte(uint8_t *byte, uint32_t *ticks); /* from a serial gauge, with the instant at which it began */
void port_request(uint8_t channel, bool on);          /* asks a gauge for a reading */

/* The settings' place in non-volatile memory: erased, it is all ones. */
void port_recall(void *to, uint8_t size);
void port_store(const void *from, uint8_t size);

/* The pins as they are now, for whoever looks after the wiring: bit 0 A, 1 B, 2 index, 3 and 4 channel 1 (A and B, or clock and data, or
 * the serial line), 5 and 6 channel 2. */
#define LEVEL_A 1
#define LEVEL_B 2
#define LEVEL_INDEX 4
#define LEVELS_OF(channel, levels) ((uint8_t)((levels) >> (3 + 2 * (channel)) & 3))
uint8_t port_levels(void);

/* From now on take an event `per_second` times a second: at the next crank edge each time, or at once (see latch.h). */
void port_rate(uint16_t per_second, bool by_edge);

#endif
