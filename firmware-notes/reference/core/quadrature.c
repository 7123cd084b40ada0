#include "quadrature.h"

const int8_t QUAD_STEP[16] = {
    0, -1, 1, QUAD_ILLEGAL, /* from 0 to 0, 1, 2, 3 */
    1, 0, QUAD_ILLEGAL, -1, /* from 1 */
    -1, QUAD_ILLEGAL, 0, 1, /* from 2 */
    QUAD_ILLEGAL, 1, -1, 0, /* from 3 */
};

uint32_t count_value(const struct count *c)
{
    return (uint32_t)c->byte[3] << 24 | (uint32_t)c->byte[2] << 16 | (uint32_t)c->byte[1] << 8 | c->byte[0];
}

void count_add(struct count *c, int32_t steps)
{
    uint32_t sum = count_value(c) + (uint32_t)steps;

    for (uint8_t i = 0; i < 4; i++)
        c->byte[i] = (uint8_t)(sum >> 8 * i);
}
