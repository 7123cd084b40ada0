#include "script.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void fail(const char *path, int line, const char *what)
{
    fprintf(stderr, "%s:%d: %s\n", path, line, what);
    exit(2);
}

static void *grown(void *array, size_t count, size_t size)
{
    if (count & (count - 1))
        return array; /* doubled at each power of two */
    array = realloc(array, (count ? 2 * count : 1) * size);
    if (!array)
        abort();
    return array;
}

static bool gauge(const char *text, struct gauge_setup *g)
{
    char kind[16], unit[3] = "mm";
    int used = 0;

    *g = (struct gauge_setup){.decimals = 3};
    if (sscanf(text, "%15s %n", kind, &used) < 1)
        return false;
    text += used;
    if (!strcmp(kind, "scale"))
        g->kind = SCALE;
    else if (!strcmp(kind, "bcd") && sscanf(text, "%ld %2s %d", &g->time_us, unit, &g->decimals) == 3)
        g->kind = BCD;
    else if (!strcmp(kind, "frame24") && sscanf(text, "%ld %2s", &g->time_us, unit) == 2)
        g->kind = FRAME24;
    else if (!strcmp(kind, "ascii") && sscanf(text, "%ld %d", &g->time_us, &g->decimals) == 2)
        g->kind = ASCII;
    g->inch = !strcmp(unit, "in");
    return g->kind != NO_GAUGE;
}

static bool action(const char *word, const char *text, struct action *a)
{
    static const char *const WORDS[] = {"jump", "hush", "speak", "spoil", "noise", "send", "hold", "reset", "hang", "end"};
    int used = 0;

    memset(a, 0, sizeof *a);
    for (a->kind = JUMP; a->kind <= END; a->kind++)
        if (!strcmp(word, WORDS[a->kind]))
            break;
    if (a->kind > END || sscanf(text, "%" SCNd64 " %n", &a->us, &used) < 1)
        return false;
    text += used;
    if (a->kind == NOISE)
        return sscanf(text, "%c%d %d %d", &a->port, &a->bit, &a->khz, &a->pulses) == 4 && a->khz > 0 && a->khz <= 1000;
    if (a->kind == SEND)
        snprintf(a->words, sizeof a->words, "%s\n", text);
    return a->kind >= SEND || (sscanf(text, "%d", &a->number) == 1 && a->number >= 0 && a->number < SIGNALS);
}

static int by_time(const void *a, const void *b)
{
    int64_t x = ((const struct action *)a)->us, y = ((const struct action *)b)->us;

    return (x > y) - (x < y);
}

void script_read(struct script *s, const char *path)
{
    FILE *f = fopen(path, "r");
    char line[256], word[16];

    memset(s, 0, sizeof *s);
    if (!f)
        fail(path, 0, "cannot be read");
    for (int n = 1; fgets(line, sizeof line, f); n++) {
        int used = 0;
        line[strcspn(line, "#\n")] = 0;
        if (sscanf(line, "%15s %n", word, &used) < 1)
            continue;
        const char *rest = line + used;
        if (!strcmp(word, "index")) {
            if (sscanf(rest, "%d %d %d", &s->index_position, &s->index_width, &s->cpr) != 3 || s->cpr < 1)
                fail(path, n, "index POSITION WIDTH CPR");
        } else if (!strcmp(word, "channel")) {
            int channel = 0, skip = 0;
            if (sscanf(rest, "%d %n", &channel, &skip) < 1 || channel < 1 || channel >= SIGNALS || !gauge(rest + skip, &s->gauge[channel]))
                fail(path, n, "channel N KIND ...");
        } else if (!strcmp(word, "knot")) {
            s->knots = grown(s->knots, s->knot_count, sizeof *s->knots);
            struct knot *k = &s->knots[s->knot_count];
            *k = (struct knot){0};
            if (sscanf(rest, "%" SCNd64 " %" SCNd32 " %" SCNd32 " %" SCNd32, &k->us, &k->count[0], &k->count[1], &k->count[2]) < 2)
                fail(path, n, "knot TIME CRANK [LIFT1 [LIFT2]]");
            if (s->knot_count && k->us <= k[-1].us)
                fail(path, n, "knots must follow each other in time");
            s->knot_count++;
        } else {
            s->actions = grown(s->actions, s->action_count, sizeof *s->actions);
            if (!action(word, rest, &s->actions[s->action_count]))
                fail(path, n, "not understood");
            if (s->actions[s->action_count].kind == END)
                s->end_us = s->actions[s->action_count].us;
            s->action_count++;
        }
    }
    fclose(f);
    if (!s->knot_count || !s->end_us)
        fail(path, 0, "needs a knot and an end");
    qsort(s->actions, s->action_count, sizeof *s->actions, by_time);
}

int32_t script_count(const struct script *s, int signal, int64_t us)
{
    size_t low = 0, high = s->knot_count - 1;

    if (us <= s->knots[0].us)
        return s->knots[0].count[signal];
    if (us >= s->knots[high].us)
        return s->knots[high].count[signal];
    while (high - low > 1) {
        size_t middle = (low + high) / 2;
        if (s->knots[middle].us <= us)
            low = middle;
        else
            high = middle;
    }
    const struct knot *a = &s->knots[low], *b = &s->knots[high];
    return (int32_t)lround(a->count[signal] + (double)(b->count[signal] - a->count[signal]) * (double)(us - a->us) / (double)(b->us - a->us));
}
