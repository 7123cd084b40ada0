#include "frames.h"

static void number(struct line *l, const char *key, uint32_t value)
{
    char text[11];
    uint8_t at = 10;

    text[at] = 0;
    do
        text[--at] = (char)('0' + value % 10);
    while (value /= 10);
    line_text(l, key);
    line_text(l, text + at);
}

void frame_hello(struct line *l, const struct identity *id, uint32_t seq, uint32_t time, bool by_edge, uint16_t rate, uint32_t boot)
{
    line_begin(l, 'H');
    line_text(l, "," WIRE_VERSION);
    line_u32(l, seq);
    line_u32(l, time);
    line_text(l, ",cpr=");
    line_text(l, id->cpr);
    line_text(l, id->index ? ",index=yes" : ",index=no");
    line_text(l, by_edge ? ",latch=edge" : ",latch=time");
    for (uint8_t c = 0; c < CHANNELS && id->step[c]; c++) {
        line_text(l, c ? ",ch2=" : ",ch1=");
        line_text(l, id->step[c]);
    }
    number(l, ",rate=", rate);
    number(l, ",boot=", boot);
    line_text(l, ",board=");
    line_text(l, id->name);
    line_end(l);
}

void frame_sample(struct line *l, char kind, const struct sample *s, uint8_t channels)
{
    line_begin(l, kind);
    line_u32(l, s->seq);
    line_u32(l, s->time);
    line_i32(l, s->crank);
    line_u32(l, s->flags);
    for (uint8_t c = 0; c < channels; c++) {
        line_i32(l, s->age[c]);
        line_i32(l, s->lift[c]);
    }
    line_end(l);
}

void frame_index(struct line *l, uint32_t seq, uint32_t time, int32_t crank)
{
    line_begin(l, 'I');
    line_u32(l, seq);
    line_u32(l, time);
    line_i32(l, crank);
    line_end(l);
}

void frame_fault(struct line *l, uint32_t seq, uint32_t time, const char *word, int32_t number)
{
    line_begin(l, 'F');
    line_u32(l, seq);
    line_u32(l, time);
    line_char(l, ',');
    line_text(l, word);
    line_i32(l, number);
    line_end(l);
}
