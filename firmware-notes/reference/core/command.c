#include "command.h"

#include <string.h>

#include "text.h"

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
    if (!c->length)
        return COMMAND_NONE;
    if (text_is(c->text, TEXT("hello")))
        return COMMAND_HELLO;
    if (text_is(c->text, TEXT("zero")))
        return COMMAND_ZERO;
    if (text_is(c->text, TEXT("latch edge")))
        return COMMAND_LATCH_EDGE;
    if (text_is(c->text, TEXT("latch time")))
        return COMMAND_LATCH_TIME;
    if (text_begins(c->text, TEXT("rate ")) && rate(c, c->text + 5))
        return COMMAND_RATE;
    if (text_is(c->text, TEXT("settings")))
        return COMMAND_SETTINGS;
    if (text_is(c->text, TEXT("test")))
        return COMMAND_TEST;
    if (text_begins(c->text, TEXT("set ")))
        return COMMAND_SET;
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
