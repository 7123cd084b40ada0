/* Frames that a gauge clocks out bit by bit: 13-digit BCD (52 bits) and 24-bit. For interrupts.
 *
 * Bits are kept in the order in which they come, the first in bit 0 of the first byte. Nothing marks the beginning of
 * such a frame but the pause before it.
 */
#ifndef BITS_H
#define BITS_H

#include <stdbool.h>
#include <stdint.h>

#include "clock.h"
#include "hot.h"

#define BITS_MOST 52
#define BITS_PAUSE MS_TICKS(10)

struct bits {
    uint32_t first, last; /* ticks of the frame's first bit, and of the newest */
    uint8_t byte[(BITS_MOST + 7) / 8];
    uint8_t count;
    uint8_t wanted; /* bits in a frame */
    uint8_t broken; /* frames that ended early, since this was last looked at */
    bool full;      /* a frame waits; whoever fetches it sets this to false */
};

HOT void bits_add(struct bits *b, bool bit, uint32_t now)
{
    if (now - b->last > BITS_PAUSE) {
        if (b->count && b->count < b->wanted)
            b->broken++;
        b->count = b->full ? b->wanted : 0; /* a frame that finds the one before not fetched is passed over whole */
        if (!b->full)
            b->first = now;
    }
    b->last = now;
    if (b->count >= b->wanted)
        return;
    uint8_t at = b->count >> 3, mask = (uint8_t)(1 << (b->count & 7));
    b->byte[at] = bit ? b->byte[at] | mask : b->byte[at] & (uint8_t)~mask;
    if (++b->count == b->wanted)
        b->full = true;
}

#endif
