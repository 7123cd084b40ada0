#include "frames.h"

#include "bits.h"
#include "port.h"
#include "text.h"

static void number(struct line *l, const char *key, uint32_t value)
{
    line_text(l, key);
    line_number(l, value);
}

/* ",ch1=" and the like. */
static void key_of(struct line *l, const char *key, uint8_t channel)
{
    line_text(l, key);
    line_char(l, (char)('1' + channel));
    line_char(l, '=');
}

/* "0.005mm" */
static void step(struct line *l, const struct channel *c)
{
    uint32_t whole = c->digits, power = 1;

    for (uint8_t d = 0; d < c->decimals; d++)
        power *= 10;
    line_number(l, whole / power);
    if (c->decimals)
        line_char(l, '.');
    for (whole %= power; power > 1; whole %= power) {
        power /= 10;
        line_char(l, (char)('0' + whole / power));
    }
    line_text(l, c->inch ? TEXT("in") : TEXT("mm"));
}

void frame_hello(struct line *l, const struct settings *s, uint32_t seq, uint32_t time, bool by_edge, uint16_t rate, uint32_t boot)
{
    line_begin(l, 'H');
    line_text(l, TEXT("," WIRE_VERSION));
    line_u32(l, seq);
    line_u32(l, time);
    number(l, TEXT(",cpr="), s->cpr);
    line_text(l, s->index ? TEXT(",index=yes") : TEXT(",index=no"));
    line_text(l, by_edge ? TEXT(",latch=edge") : TEXT(",latch=time"));
    for (uint8_t c = 0; c < s->channels; c++) {
        key_of(l, TEXT(",ch"), c);
        step(l, &s->channel[c]);
    }
    number(l, TEXT(",rate="), rate);
    number(l, TEXT(",boot="), boot);
    line_text(l, TEXT(",board="));
    line_name(l, s->name);
    line_end(l);
}

/* Both channels, used or not: what is set for the second is kept for when it is. */
void frame_settings(struct line *l, uint32_t seq, uint32_t time, const struct settings *s)
{
    line_begin(l, 'C');
    line_u32(l, seq);
    line_u32(l, time);
    number(l, TEXT(",cpr="), s->cpr);
    line_text(l, s->index ? TEXT(",index=yes") : TEXT(",index=no"));
    number(l, TEXT(",channels="), s->channels);
    for (uint8_t c = 0; c < CHANNELS; c++) {
        key_of(l, TEXT(",kind"), c);
        line_text(l, kind_word((enum indicator_kind)s->channel[c].kind));
        key_of(l, TEXT(",step"), c);
        step(l, &s->channel[c]);
    }
    line_text(l, TEXT(",board="));
    line_name(l, s->name);
    line_end(l);
}

static void level(struct line *l, const char *key, bool high)
{
    line_text(l, key);
    line_char(l, high ? '1' : '0');
}

static void count(struct line *l, const char *key, int32_t value)
{
    line_text(l, key);
    line_signed(l, value);
}

/* Four bits a digit, the first to come in the lowest place; characters as they are, but for those that a field cannot hold. */
static void raw(struct line *l, const struct test *t, bool text)
{
    number(l, TEXT(",got="), t->raw_count);
    line_text(l, TEXT(",raw="));
    for (uint8_t i = 0; text && i < t->raw_count; i++) {
        char c = (char)t->raw[i];
        line_char(l, c == ',' || c == '*' || c == ' ' ? '_' : c);
    }
    for (uint8_t i = 0; !text && i < 2 * BITS_BYTES && 4 * i < t->raw_count; i++)
        line_hex(l, i & 1 ? t->raw[i >> 1] >> 4 : t->raw[i >> 1] & 15);
}

static void test_begin(struct line *l, uint32_t seq, uint32_t time)
{
    line_begin(l, 'T');
    line_u32(l, seq);
    line_u32(l, time);
}

void frame_test_crank(struct line *l, uint32_t seq, uint32_t time, const struct test *t)
{
    test_begin(l, seq, time);
    line_text(l, TEXT(",of=crank"));
    level(l, TEXT(",a="), t->levels & LEVEL_A);
    level(l, TEXT(",b="), t->levels & LEVEL_B);
    level(l, TEXT(",z="), t->levels & LEVEL_INDEX);
    count(l, TEXT(",count="), t->count);
    number(l, TEXT(",bad="), t->bad);
    line_end(l);
}

void frame_test_channel(struct line *l, uint32_t seq, uint32_t time, const struct test *t, uint8_t channel, enum indicator_kind kind)
{
    uint8_t levels = LEVELS_OF(channel, t->levels);
    bool scale = kind == INDICATOR_SCALE, text = kind == INDICATOR_ASCII;

    test_begin(l, seq, time);
    line_text(l, TEXT(",of=ch"));
    line_char(l, (char)('1' + channel));
    line_text(l, TEXT(",kind="));
    line_text(l, kind_word(kind));
    level(l, scale ? TEXT(",a=") : text ? TEXT(",line=") : TEXT(",clock="), levels & 1);
    if (!text)
        level(l, scale ? TEXT(",b=") : TEXT(",data="), levels & 2);
    count(l, TEXT(",count="), t->count);
    number(l, TEXT(",bad="), t->bad);
    if (!scale) {
        number(l, TEXT(",age="), t->age);
        raw(l, t, text);
    }
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
