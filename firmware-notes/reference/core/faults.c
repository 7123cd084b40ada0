#include "faults.h"

#include "clock.h"

const char *const FAULT_WORD[FAULTS] = {
    "crank-step", "lift1-step", "lift2-step", "lift1-silent", "lift2-silent", "lift1-bad", "lift2-bad", "busy", "command",
};

bool faults_due(struct faults *f, uint32_t now, enum fault *which)
{
    for (uint8_t i = 0; i < FAULTS; i++) {
        uint16_t bit = (uint16_t)(1u << i);

        if ((f->quiet & bit) && now - f->told_at[i] >= MS_TICKS(1000))
            f->quiet &= (uint16_t)~bit;
        if ((f->quiet & bit) || f->number[i] == f->told[i])
            continue;
        f->told[i] = f->number[i];
        f->told_at[i] = now;
        f->quiet |= bit;
        *which = (enum fault)i;
        return true;
    }
    return false;
}
