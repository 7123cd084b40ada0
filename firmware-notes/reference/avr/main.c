/* The ATmega328P at 16 MHz: start, and the loop. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <string.h>

#include "avr.h"
#include "config.h"
#include "port.h"

struct board board;

static const struct limits LIMITS = {
    .rate = RATE,
    .rate_most = {RATE_LIMIT(1) < RATE_MOST ? RATE_LIMIT(1) : RATE_MOST, RATE_LIMIT(2) < RATE_MOST ? RATE_LIMIT(2) : RATE_MOST},
    .turned_over = true,
};

/* The whole of the EEPROM that is used. */
static struct {
    uint32_t starts;
    uint8_t settings[60];
} memory EEMEM;

_Static_assert(sizeof(struct settings) + 3 <= sizeof memory.settings, "the settings fit their place");

static uint8_t cause __attribute__((section(".noinit"))); /* MCUSR as it was at the start */

/* Before anything else: after a restart by the watchdog it runs on, at its shortest time. A bootloader that has cleared MCUSR leaves what was
 * there in r2, by a common convention. */
void start_of_all(void) __attribute__((naked, used, section(".init3")));
void start_of_all(void)
{
    uint8_t left;

    __asm__ __volatile__("mov %0, r2" : "=r"(left));
    cause = MCUSR ? MCUSR : left;
    MCUSR = 0;
    wdt_disable();
}

static enum start why(void)
{
    if (cause >= 16) /* nothing that MCUSR can hold */
        return START_USUAL;
    if (cause & _BV(WDRF))
        return START_WATCHDOG;
    return (cause & (_BV(BORF) | _BV(PORF))) == _BV(BORF) ? START_SUPPLY : START_USUAL;
}

/* Differs from the start before it and is never 0. An erased memory (all ones) gives 1. */
static uint32_t boot_number(void)
{
    uint32_t number = eeprom_read_dword(&memory.starts) + 1;

    if (!number)
        number = 1;
    eeprom_update_dword(&memory.starts, number);
    return number;
}

void port_recall(void *to, uint8_t size)
{
    eeprom_read_block(to, memory.settings, size);
}

/* 3.4 ms for each byte that has changed. */
void port_store(const void *from, uint8_t size)
{
    eeprom_update_block(from, memory.settings, size);
}

static void idle(void)
{
    cli();
    if (uart_waiting() || (board.latch.waiting && port_room() >= LINE_MOST)) {
        sei();
        return;
    }
    sleep_enable();
    sei(); /* takes effect after the next instruction: nothing can come in between */
    sleep_cpu();
    sleep_disable();
}

/* From the first frame to the moment when something is set. */
static void run(enum start start)
{
    uint32_t boot = boot_number();

    cli();
    memset(&board, 0, sizeof board);
    board_settings(&board);
    inputs_start();
    board_start(&board, &LIMITS, boot, start);
    sei();
    while (!board.anew) {
        wdt_reset();
        inputs_look();
        if (!board_work(&board))
            idle();
    }
}

int main(void)
{
    set_sleep_mode(SLEEP_MODE_IDLE);
    timer_start();
    uart_start();
    wdt_enable(WDTO_2S);
    run(why());
    for (;;)
        run(START_USUAL);
}
