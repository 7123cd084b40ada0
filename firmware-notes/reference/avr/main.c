/* The ATmega328P at 16 MHz: start, and the loop. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include "avr.h"
#include "config.h"
#include "port.h"

#define TEXT(x) TEXT_(x)
#define TEXT_(x) #x

_Static_assert(SCALE == INDICATOR_SCALE && BCD == INDICATOR_BCD && FRAME24 == INDICATOR_24BIT && ASCII == INDICATOR_ASCII,
               "config.h and indicator.h name the same kinds");
_Static_assert(sizeof NAME <= 25, "the name has at most 24 characters, so that the hello fits its line");

struct board board;

static const struct setup SETUP = {
    .identity = {.cpr = TEXT(CPR), .step = {STEP(CH1, CH1_INCH), STEP(CH2, CH2_INCH)}, .name = NAME, .index = INDEX},
    .kind = {(enum indicator_kind)CH1, (enum indicator_kind)CH2},
    .unit = {{CH1_INCH, DECIMALS(CH1, CH1_INCH)}, {CH2_INCH, DECIMALS(CH2, CH2_INCH)}},
    .rate = RATE < RATE_LIMIT ? RATE : RATE_LIMIT,
    .rate_most = RATE_LIMIT < RATE_MOST ? RATE_LIMIT : RATE_MOST,
};

static uint32_t EEMEM starts;

/* Differs from the start before it and is never 0. An erased memory (all ones) gives 1. */
static uint32_t boot_number(void)
{
    uint32_t number = eeprom_read_dword(&starts) + 1;

    if (!number)
        number = 1;
    eeprom_update_dword(&starts, number);
    return number;
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

int main(void)
{
    uint32_t boot = boot_number();

    set_sleep_mode(SLEEP_MODE_IDLE);
    inputs_start();
    soft_uart_start();
    timer_start();
    uart_start();
    board_start(&board, &SETUP, boot);
    sei();
    for (;;)
        if (!board_work(&board))
            idle();
}
