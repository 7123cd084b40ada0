/* Frames that a gauge clocks out bit by bit: 13-digit BCD (52 bits) and 24-bit. For interrupts.
 *
 * Bits are kept in the order in which they come, the first in bit 0 of the first byte. Nothing marks the beginning of such a frame but the
 * pause before it, and nothing its end but the pause behind it: only then it is known how many bits it had, and it may be judged.
 */
#ifndef BITS_H
#define BITS_H

#include <stdbool.h>
#include <stdint.h>

#include "clock.h"
#include "hot.h"

#define BITS_BYTES 7
#define BITS_PAUSE MS_TICKS(10)

struct bits {
    uint32_t first, last; /* ticks of the frame's first bit, and of the newest */
    uint8_t byte[BITS_BYTES];
    uint8_t count;        /* 255: that many or more; whoever fetches the frame sets it to 0 */
    uint8_t lost;         /* frames that nobody fetched, or that were cut short by noise, since the start */
};

HOT void bits_add(struct bits *b, bool bit, uint32_t now)
{
    if (b->count && now - b->last > BITS_PAUSE) {
        b->lost++;
        b->count = 0;
    }
    if (!b->count)
        b->first = now;
    b->last = now;
    if (b->count < 8 * BITS_BYTES) {
        uint8_t at = b->count >> 3, mask = (uint8_t)(1 << (b->count & 7));
        b->byte[at] = bit ? b->byte[at] | mask : b->byte[at] & (uint8_t)~mask;
    }
    if (b->count < 255)
        b->count++;
}

#endif
