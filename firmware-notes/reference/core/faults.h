/* What went wrong, each with its number: told when the number has changed, at most once a second for each word. */
#ifndef FAULTS_H
#define FAULTS_H

#include <stdbool.h>
#include <stdint.h>

enum fault {
    FAULT_CRANK_STEP,
    FAULT_LIFT1_STEP,
    FAULT_LIFT2_STEP,
    FAULT_LIFT1_SILENT,
    FAULT_LIFT2_SILENT,
    FAULT_LIFT1_BAD,
    FAULT_LIFT2_BAD,
    FAULT_LIFT1_JUMP,
    FAULT_LIFT2_JUMP,
    FAULT_BUSY,
    FAULT_COMMAND,
    FAULT_RESTART,
    FAULT_SETTINGS,
    FAULTS
};

const char *fault_word(enum fault which); /* see text.h */

struct faults {
    uint32_t number[FAULTS];
    uint32_t told[FAULTS];    /* the number last told; 0 at the start */
    uint32_t told_at[FAULTS]; /* ticks */
    uint16_t quiet;           /* bit by word: told less than a second ago */
};

/* Whether there is one to tell at `now` (ticks): then `which` is it, and it counts as told. */
bool faults_due(struct faults *f, uint32_t now, enum fault *which);

#endif
