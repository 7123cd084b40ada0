/* One line of the wire: a body, its sum, its end (wire-format.md section 1). */
#ifndef LINE_H
#define LINE_H

#include <stdint.h>

#define LINE_BODY 150
#define LINE_MOST (LINE_BODY + 6)

struct line {
    uint16_t crc;
    uint8_t length;
    char text[LINE_MOST];
};

void line_begin(struct line *l, char kind);
void line_char(struct line *l, char c); /* what does not fit is left out; nothing that this firmware sends is so long */
void line_text(struct line *l, const char *text); /* constant, see text.h */
void line_name(struct line *l, const char *name); /* not constant */
void line_hex(struct line *l, uint8_t digit);
void line_number(struct line *l, uint32_t number);
void line_signed(struct line *l, int32_t number);
void line_u32(struct line *l, uint32_t number); /* these two put a comma in front */
void line_i32(struct line *l, int32_t number);
void line_end(struct line *l);

#endif
