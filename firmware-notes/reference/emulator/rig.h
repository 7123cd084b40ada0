/* What hangs on the board's pins: encoder with index, scales, gauges. */
#ifndef RIG_H
#define RIG_H

#include <simavr/avr_ioport.h>
#include <simavr/sim_avr.h>
#include <stdio.h>

#include "script.h"

#define HZ 16000000
#define CYCLES(us) ((avr_cycle_count_t)((us) * (HZ / 1000000)))

/* One edge, as the log holds it: little-endian, 16 bytes. */
struct edge {
    uint64_t cycle; /* since the board was switched on */
    int32_t count;  /* that the edge leads to; of the index: the crank's */
    int32_t signal; /* 0 crank, 1 and 2 scales, 3 index rising, 4 index falling */
};

struct counts {
    long count[SIGNALS], edges[SIGNALS];
    long pulses, readings[SIGNALS];
};

/* A pin driven from outside. The emulator puts a pin back to its outside level whenever the firmware writes that port, so the
 * level is left there too. */
struct pin {
    avr_irq_t *irq;
    avr_ioport_t *port;
    uint8_t bit;
};

struct pin pin_of(avr_t *avr, char port, int bit);
void pin_drive(const struct pin *pin, int level);
void pin_noise(const struct pin *pin); /* from now on this is the pin that ... */
void pin_turn_over(void);              /* ... this turns over, and back again */

void rig_attach(avr_t *avr, const struct script *script, FILE *edges); /* pins take their first levels */
void rig_begin(avr_cycle_count_t at);                                   /* the script's time 0 */
void rig_hold(void);                                                    /* everything that moves stands still ... */
void rig_resume(avr_cycle_count_t held);                                /* ... and goes on, so many cycles later */
void rig_after_reset(void); /* the emulator forgets its timers and the pins' levels */
void rig_do(const struct action *action); /* jump, hush, speak, spoil, noise */
const struct counts *rig_counts(void);

void gauges_attach(avr_t *avr, const struct script *script, struct counts *counts);
void gauges_begin(avr_cycle_count_t at);
void gauges_resume(avr_cycle_count_t held);
void gauges_after_reset(void);
void gauges_do(const struct action *action);

#endif
