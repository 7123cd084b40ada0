/* The frames of wire-format.md section 2, each as a line. */
#ifndef FRAMES_H
#define FRAMES_H

#include <stdbool.h>
#include <stdint.h>

#include "latch.h"
#include "line.h"

#define WIRE_VERSION "1.0"

struct identity {
    const char *cpr;            /* counts per crank revolution */
    const char *step[CHANNELS]; /* one indicator count and its unit, "0.005mm"; the second is 0 where there is no channel 2 */
    const char *name;           /* letters, digits, '-' and '.', at most 24 */
    bool index;                 /* the encoder gives an index pulse */
};

struct sample {
    uint32_t seq, time;
    int32_t crank;
    uint8_t flags;
    int32_t age[CHANNELS], lift[CHANNELS];
};

void frame_hello(struct line *l, const struct identity *id, uint32_t seq, uint32_t time, bool by_edge, uint16_t rate, uint32_t boot);
void frame_sample(struct line *l, char kind, const struct sample *s, uint8_t channels); /* kind 'S', or 'B' for a heartbeat */
void frame_index(struct line *l, uint32_t seq, uint32_t time, int32_t crank);
void frame_fault(struct line *l, uint32_t seq, uint32_t time, const char *word, int32_t number);

#endif
