#include "line.h"

#include "crc16.h"
#include "text.h"

void line_begin(struct line *l, char kind)
{
    l->crc = CRC16_START;
    l->length = 0;
    line_char(l, kind);
}

void line_char(struct line *l, char c)
{
    if (l->length == LINE_BODY)
        return;
    l->crc = crc16_add(l->crc, (uint8_t)c);
    l->text[l->length++] = c;
}

void line_text(struct line *l, const char *text)
{
    for (char c; (c = TEXT_CHAR(text)) != 0; text++)
        line_char(l, c);
}

void line_name(struct line *l, const char *name)
{
    while (*name)
        line_char(l, *name++);
}

static char hex(uint8_t digit)
{
    return (char)(digit < 10 ? '0' + digit : 'A' - 10 + digit);
}

void line_hex(struct line *l, uint8_t digit)
{
    line_char(l, hex(digit));
}

/* By subtraction: a small processor has no divider, and this is six times as fast as dividing there. */
void line_number(struct line *l, uint32_t number)
{
    static const uint32_t TENS[] = {1000000000, 100000000, 10000000, 1000000, 100000, 10000, 1000, 100, 10};
    uint8_t i = 0;

    while (i < 9 && number < TENS[i])
        i++;
    for (; i < 9; i++) {
        char digit = '0';

        while (number >= TENS[i]) {
            number -= TENS[i];
            digit++;
        }
        line_char(l, digit);
    }
    line_char(l, (char)('0' + number));
}

void line_u32(struct line *l, uint32_t number)
{
    line_char(l, ',');
    line_number(l, number);
}

void line_signed(struct line *l, int32_t number)
{
    if (number < 0)
        line_char(l, '-');
    line_number(l, number < 0 ? 0 - (uint32_t)number : (uint32_t)number);
}

void line_i32(struct line *l, int32_t number)
{
    line_char(l, ',');
    line_signed(l, number);
}

void line_end(struct line *l)
{
    char *end = l->text + l->length;

    end[0] = '*';
    for (uint8_t i = 0; i < 4; i++)
        end[1 + i] = hex(l->crc >> (12 - 4 * i) & 15);
    end[5] = '\n';
    l->length += 6;
}
