/* What happens to the board, from a text file. One thing a line; `#` begins a comment. Times are microseconds since the
 * script began, whole numbers. A motion is given by knots, and the edges between two knots are evenly spaced.
 *
 *   index POSITION WIDTH CPR          the index signal is high for WIDTH counts from POSITION on, every CPR counts
 *   channel N scale                   quadrature
 *   channel N bcd LATENCY UNIT DECIMALS   13-digit frame on request: the reading is taken LATENCY before the first bit; UNIT is mm or in
 *   channel N frame24 EVERY UNIT      24-bit frame each EVERY
 *   channel N ascii EVERY DECIMALS    a line of text at 9600 baud each EVERY
 *   knot TIME CRANK [LIFT1 [LIFT2]]   counts
 *   jump TIME N                       both signals of the crank (0) or scale N move at once: two counts, one of which no board can see
 *   noise TIME PIN KHZ PULSES          pulses on a pin (B1 is PB1): its level is turned over and back again
 *   hush TIME N, speak TIME N         gauge N stops sending, and goes on
 *   spoil TIME N                      the next frame of gauge N is damaged
 *   send TIME WORDS                   a line from the host
 *   hold TIME                         the script waits, and with it the rig, until the host sends something (on a pseudo-terminal)
 *   reset TIME                        the board loses power for a moment
 *   hang TIME                         the processor runs into an endless loop with its interrupts off
 *   end TIME
 */
#ifndef SCRIPT_H
#define SCRIPT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SIGNALS 3 /* crank, channel 1, channel 2 */

enum gauge_kind { NO_GAUGE, SCALE, BCD, FRAME24, ASCII };

struct gauge_setup {
    enum gauge_kind kind;
    long time_us; /* latency or period */
    bool inch;
    int decimals;
};

struct knot {
    int64_t us;
    int32_t count[SIGNALS];
};

enum action_kind { JUMP, HUSH, SPEAK, SPOIL, NOISE, SEND, HOLD, RESET, HANG, END };

struct action {
    int64_t us;
    enum action_kind kind;
    int number;
    char words[64];
    char port; /* of noise: the pin, its rate and how many pulses */
    int bit, khz, pulses;
};

struct script {
    struct gauge_setup gauge[SIGNALS]; /* the first is not used */
    int index_position, index_width, cpr;
    struct knot *knots;
    size_t knot_count;
    struct action *actions;
    size_t action_count;
    int64_t end_us;
};

void script_read(struct script *s, const char *path); /* ends the program with a sentence if it cannot */

/* The count of a signal at a time, between its knots. */
int32_t script_count(const struct script *s, int signal, int64_t us);

#endif
