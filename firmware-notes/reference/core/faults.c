#include "faults.h"

#include "clock.h"
#include "text.h"

static const char WORDS[] TEXT_KEPT = "crank-step\0lift1-step\0lift2-step\0lift1-silent\0lift2-silent\0lift1-bad\0lift2-bad\0"
                                      "lift1-jump\0lift2-jump\0busy\0command\0restart\0settings";

const char *fault_word(enum fault which)
{
    return text_word(WORDS, (uint8_t)which);
}

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
