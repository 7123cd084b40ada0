/* Lines from the host (wire-format.md section 3), byte by byte. */
#ifndef COMMAND_H
#define COMMAND_H

#include <stdbool.h>
#include <stdint.h>

#define COMMAND_MOST 35 /* the longest is "set name " and 24 characters, and "\r" */
#define RATE_MOST 5000

enum command {
    COMMAND_NONE, /* the line has not ended, or is empty */
    COMMAND_BAD,  /* a line that was not understood */
    COMMAND_HELLO,
    COMMAND_ZERO,
    COMMAND_LATCH_EDGE,
    COMMAND_LATCH_TIME,
    COMMAND_RATE,
    COMMAND_SETTINGS,
    COMMAND_TEST,
    COMMAND_SET, /* what is to be set stands in `text` from COMMAND_SET_AT on, until the next byte comes */
};

#define COMMAND_SET_AT 4

struct command_line {
    uint32_t lines; /* ended since the start: the position of the last one */
    uint16_t rate;  /* of the last COMMAND_RATE, 1 to RATE_MOST */
    uint8_t length; /* COMMAND_MOST: too long to be anything */
    char text[COMMAND_MOST];
};

enum command command_byte(struct command_line *c, uint8_t byte);

#endif
