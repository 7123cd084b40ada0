/* The frames of wire-format.md section 2, each as a line. */
#ifndef FRAMES_H
#define FRAMES_H

#include <stdbool.h>
#include <stdint.h>

#include "latch.h"
#include "line.h"
#include "settings.h"

#define WIRE_VERSION "1.1"

struct sample {
    uint32_t seq, time;
    int32_t crank;
    uint8_t flags;
    int32_t age[CHANNELS], lift[CHANNELS];
};

/* What one input says at this moment, for whoever looks after its wiring. */
struct test {
    uint8_t levels; /* port_levels */
    int32_t count;
    uint32_t bad;   /* illegal steps, or readings refused */
    uint32_t age;   /* of a gauge's reading, microseconds */
    const uint8_t *raw;
    uint8_t raw_count; /* of a gauge, see struct indicator */
};

void frame_hello(struct line *l, const struct settings *s, uint32_t seq, uint32_t time, bool by_edge, uint16_t rate, uint32_t boot);
void frame_sample(struct line *l, char kind, const struct sample *s, uint8_t channels); /* kind 'S', or 'B' for a heartbeat */
void frame_index(struct line *l, uint32_t seq, uint32_t time, int32_t crank);
void frame_fault(struct line *l, uint32_t seq, uint32_t time, const char *word, int32_t number);
void frame_settings(struct line *l, uint32_t seq, uint32_t time, const struct settings *s);
void frame_test_crank(struct line *l, uint32_t seq, uint32_t time, const struct test *t);
void frame_test_channel(struct line *l, uint32_t seq, uint32_t time, const struct test *t, uint8_t number, enum indicator_kind kind);

#endif
