#include "command.h"

#include <string.h>

static bool rate(struct command_line *c, const char *digits)
{
    uint16_t number = 0;

    if (*digits < '1' || *digits > '9')
        return false;
    for (; *digits; digits++) {
        if (*digits < '0' || *digits > '9')
            return false;
        number = (uint16_t)(10 * number + (uint16_t)(*digits - '0'));
        if (number > RATE_MOST)
            return false;
    }
    c->rate = number;
    return true;
}

static enum command meaning(struct command_line *c)
{
    if (memchr(c->text, 0, c->length))
        return COMMAND_BAD;
    c->text[c->length] = 0;
    if (!strcmp(c->text, "hello"))
        return COMMAND_HELLO;
    if (!strcmp(c->text, "zero"))
        return COMMAND_ZERO;
    if (!strcmp(c->text, "latch edge"))
        return COMMAND_LATCH_EDGE;
    if (!strcmp(c->text, "latch time"))
        return COMMAND_LATCH_TIME;
    if (!strncmp(c->text, "rate ", 5) && rate(c, c->text + 5))
        return COMMAND_RATE;
    return COMMAND_BAD;
}

enum command command_byte(struct command_line *c, uint8_t byte)
{
    enum command found = COMMAND_BAD;

    if (byte != '\n') {
        if (c->length < COMMAND_MOST)
            c->text[c->length++] = (char)byte;
        return COMMAND_NONE;
    }
    c->lines++;
    if (c->length && c->text[c->length - 1] == '\r' && c->length < COMMAND_MOST)
        c->length--;
    if (c->length < COMMAND_MOST)
        found = meaning(c);
    c->length = 0;
    return found;
}
