#include <simavr/sim_io.h>
#include <stdlib.h>
#include <string.h>

#include "rig.h"

struct pin pin_of(avr_t *avr, char port, int bit)
{
    for (avr_io_t *io = avr->io_port; io; io = io->next) {
        avr_ioport_t *p = (avr_ioport_t *)io; /* its first member */
        if (!strcmp(io->kind, "port") && p->name == port)
            return (struct pin){avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), bit), p, (uint8_t)(1 << bit)};
    }
    abort();
}

/* The one pin that noise is on, whoever drives it. */
static struct {
    struct pin pin;
    int level, turned_over;
} noise;

static void put(const struct pin *pin, int level)
{
    pin->port->external.pull_mask |= pin->bit;
    if (level)
        pin->port->external.pull_value |= pin->bit;
    else
        pin->port->external.pull_value &= (uint8_t)~pin->bit;
    avr_raise_irq(pin->irq, (uint32_t)level);
}

void pin_drive(const struct pin *pin, int level)
{
    if (pin->port == noise.pin.port && pin->bit == noise.pin.bit) {
        noise.level = level;
        level ^= noise.turned_over;
    }
    put(pin, level);
}

void pin_noise(const struct pin *pin)
{
    noise.pin = *pin;
    noise.level = (pin->port->external.pull_value & pin->bit) != 0;
}

void pin_turn_over(void)
{
    noise.turned_over = !noise.turned_over;
    put(&noise.pin, noise.level ^ noise.turned_over);
}
