#include "line.h"

#include "crc16.h"

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
    while (*text)
        line_char(l, *text++);
}

/* By subtraction: a small processor has no divider, and this is six times as fast as dividing there. */
static void digits(struct line *l, uint32_t number)
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
    digits(l, number);
}

void line_i32(struct line *l, int32_t number)
{
    line_char(l, ',');
    if (number < 0)
        line_char(l, '-');
    digits(l, number < 0 ? 0 - (uint32_t)number : (uint32_t)number);
}

void line_end(struct line *l)
{
    static const char HEX[] = "0123456789ABCDEF";
    char *end = l->text + l->length;

    end[0] = '*';
    for (uint8_t i = 0; i < 4; i++)
        end[1 + i] = HEX[l->crc >> (12 - 4 * i) & 15];
    end[5] = '\n';
    l->length += 6;
}
