/* Quadrature: two square signals a quarter period apart -> a count, and the steps that cannot be.
 *
 * The state is 2A + B. Positive is A ahead of B: 0, 2, 3, 1, 0. A step of both signals at once says that an edge was
 * missed; which way is unknown, so the count stays and the step is counted as illegal.
 */
#ifndef QUADRATURE_H
#define QUADRATURE_H

#include <stdint.h>

#include "hot.h"

#define QUAD_ILLEGAL 2

extern const int8_t QUAD_STEP[16]; /* by 4 * old state + new state */

/* Two's complement, 32 bits, low byte first. Counting by one seldom goes beyond the first byte; on an 8-bit processor that saves
 * registers, and so a third of the interrupt. */
struct count {
    uint8_t byte[4];
};

struct quad {
    struct count count;
    struct count illegal; /* steps since the start */
    uint8_t state;
};

HOT void count_up(struct count *c)
{
    if (!++c->byte[0] && !++c->byte[1] && !++c->byte[2])
        ++c->byte[3];
}

HOT void count_down(struct count *c)
{
    if (!c->byte[0]-- && !c->byte[1]-- && !c->byte[2]--)
        c->byte[3]--;
}

uint32_t count_value(const struct count *c);
void count_add(struct count *c, int32_t steps);

/* The state the pins are in now; counts nothing. Without it the first edge after the start may be an illegal one. */
HOT void quad_start(struct quad *q, uint8_t pins)
{
    q->state = pins;
}

/* The pins as they are now (0 to 3). Gives +1, -1, 0, or QUAD_ILLEGAL. */
HOT int8_t quad_step(struct quad *q, uint8_t pins)
{
    int8_t step = QUAD_STEP[(uint8_t)(q->state << 2 | pins)];

    q->state = pins;
    if (step == 1)
        count_up(&q->count);
    else if (step == -1)
        count_down(&q->count);
    else if (step)
        count_up(&q->illegal);
    return step;
}

#endif
