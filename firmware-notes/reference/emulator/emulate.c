/* Runs the firmware's AVR image instruction by instruction, with a rig on its pins and a host on its UART.
 *
 *   emulate IMAGE.elf SCRIPT [--output FILE] [--edges FILE] [--eeprom FILE] [--pty] [--real]
 *
 * Without --pty the board's output goes to FILE, the script begins 100 ms after the board was switched on, and everything is repeatable
 * to the cycle. With --pty a line "pty PATH" names a pseudo-terminal; the script begins with the first byte that comes through it,
 * nothing is lost however slow the reader, and the board lives on until standard input is closed. --real paces it to real time.
 * At the script's end one line of JSON says what was injected. (libsimavr prints lines of its own.)
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_elf.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "rig.h"

#define STARTED CYCLES(100000)
#define LOOK CYCLES(1000) /* how often the world outside is looked at */
#define RESPONSE 4        /* cycles from an interrupt to its vector, which the emulator does not charge by itself */

static avr_t *avr;
static avr_irq_t *to_board;
static int output = -1, terminal = -1;
static int begun, held, linger;
static long sent_bytes;
static int was_reset;
static unsigned lowest_stack = 0xFFFF;
static void (*reset_chip)(avr_t *);

static double seconds(clockid_t clock)
{
    struct timespec t;

    clock_gettime(clock, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void from_board(avr_irq_t *irq, uint32_t value, void *parameter)
{
    uint8_t byte = (uint8_t)value;

    (void)irq;
    (void)parameter;
    sent_bytes++;
    if (output >= 0 && write(output, &byte, 1) != 1)
        exit(3);
    while (terminal >= 0 && write(terminal, &byte, 1) != 1) {
        if (errno != EAGAIN || !begun || held || linger)
            return; /* nobody reads: lost, as on a real line */
        struct pollfd wait = {terminal, POLLOUT, 0}, gone = {0, POLLIN, 0};
        poll(&wait, 1, 100);
        char c;
        if (poll(&gone, 1, 0) > 0 && read(0, &c, 1) <= 0)
            exit(0);
    }
}

/* Interrupts take their time to begin: charged here, so that the emulated chip is not faster than a real one. */
static void interrupt_begins(avr_irq_t *irq, uint32_t running, void *parameter)
{
    (void)irq;
    (void)parameter;
    if (running)
        avr->cycle += RESPONSE;
}

static void do_not_sleep(avr_t *a, avr_cycle_count_t cycles)
{
    (void)a;
    (void)cycles;
}

static void prepare_uart(void)
{
    uint32_t flags = 0;

    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(uint32_t)(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
}

/* Also by its own watchdog. The emulator forgets then what hangs on the pins. */
static void reset_with_the_rig(avr_t *a)
{
    reset_chip(a);
    was_reset = 1;
}

/* Nothing but the watchdog ends this: `rjmp .` at the end of the flash, interrupts off. */
static void hang(void)
{
    avr_flashaddr_t at = avr->flashend - 1;

    avr->flash[at] = 0xFF;
    avr->flash[at + 1] = 0xCF;
    avr->pc = at;
    avr->sreg[S_I] = 0;
}

static void look_at_the_stack(void)
{
    unsigned pointer = avr->data[R_SPL] | (unsigned)avr->data[R_SPH] << 8;

    if (pointer >= 0x100 && pointer < lowest_stack) /* 0 until the start-up code has set it */
        lowest_stack = pointer;
}

static void make_board(const char *image)
{
    elf_firmware_t firmware;

    memset(&firmware, 0, sizeof firmware);
    if (elf_read_firmware(image, &firmware)) {
        fprintf(stderr, "%s: cannot be read\n", image);
        exit(2);
    }
    avr = avr_make_mcu_by_name("atmega328p");
    avr_init(avr);
    avr_load_firmware(avr, &firmware);
    avr->frequency = HZ;
    avr->sleep = do_not_sleep;
    avr->run_cycle_limit = 16000; /* the default of 1 looks at the timers after each instruction; they bound every run all the same */
    prepare_uart();
    reset_chip = avr->reset;
    avr->reset = reset_with_the_rig;
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), from_board, NULL);
    to_board = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_get_interrupt_irq(avr, AVR_INT_ANY) + AVR_INT_IRQ_RUNNING, interrupt_begins, NULL);
}

static void make_terminal(void)
{
    int slave;
    char name[64];
    struct termios t;

    if (openpty(&terminal, &slave, name, NULL, NULL)) /* the other side stays open, so that a reader who goes is no hang-up */
        exit(3);
    tcgetattr(slave, &t);
    cfmakeraw(&t);
    tcsetattr(slave, TCSANOW, &t);
    fcntl(terminal, F_SETFL, O_NONBLOCK);
    printf("pty %s\n", name);
    fflush(stdout);
}

static void eeprom(const char *path, int write_it)
{
    uint8_t bytes[1024];
    avr_eeprom_desc_t all = {.ee = bytes, .offset = 0, .size = sizeof bytes};
    FILE *f = fopen(path, write_it ? "wb" : "rb");

    if (!f)
        return; /* a new chip */
    if (write_it) {
        avr_ioctl(avr, AVR_IOCTL_EEPROM_GET, &all);
        fwrite(bytes, 1, sizeof bytes, f);
    } else if (fread(bytes, 1, sizeof bytes, f) == sizeof bytes) {
        avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &all);
    }
    fclose(f);
}

static void do_action(const struct action *a)
{
    if (a->kind == SEND) {
        for (const char *p = a->words; *p; p++)
            avr_raise_irq(to_board, (uint8_t)*p);
    } else if (a->kind == RESET) {
        avr_reset(avr);
    } else if (a->kind == HANG) {
        hang();
    } else if (a->kind == HOLD && terminal >= 0) {
        rig_hold();
        held = 1;
    } else if (a->kind < SEND) {
        rig_do(a);
    }
}

static void report(double wall, double cpu, double board)
{
    const struct counts *c = rig_counts();

    printf("{\"count\": [%ld, %ld, %ld], \"edges\": [%ld, %ld, %ld], \"pulses\": %ld, \"readings\": [%ld, %ld], "
           "\"bytes\": %ld, \"stack\": %u, \"board_s\": %.6f, \"wall_s\": %.3f, \"cpu_s\": %.3f}\n",
           c->count[0], c->count[1], c->count[2], c->edges[0], c->edges[1], c->edges[2], c->pulses, c->readings[1], c->readings[2],
           sent_bytes, lowest_stack, board, wall, cpu);
    fflush(stdout);
}

static void host_bytes(void)
{
    uint8_t byte;

    /* One each millisecond: never faster than a line of 9600 baud, so that no byte overruns the one before. */
    if (terminal >= 0 && read(terminal, &byte, 1) == 1) {
        avr_raise_irq(to_board, byte);
        if (!begun)
            begun = 2;
        if (held)
            held = 2;
    }
}

int main(int argc, char **argv)
{
    const char *edges_path = NULL, *eeprom_path = NULL;
    struct script script;
    int real = 0, pty = 0;

    if (argc < 3)
        return 2;
    for (int i = 3; i < argc; i++) {
        if (!strcmp(argv[i], "--pty"))
            pty = 1;
        else if (!strcmp(argv[i], "--real"))
            real = 1;
        else if (i + 1 == argc)
            return 2;
        else if (!strcmp(argv[i], "--output"))
            output = open(argv[++i], O_WRONLY | O_CREAT | O_TRUNC, 0666);
        else if (!strcmp(argv[i], "--edges"))
            edges_path = argv[++i];
        else if (!strcmp(argv[i], "--eeprom"))
            eeprom_path = argv[++i];
        else
            return 2;
    }
    script_read(&script, argv[2]);
    make_board(argv[1]);
    if (eeprom_path)
        eeprom(eeprom_path, 0);
    FILE *edges = edges_path ? fopen(edges_path, "wb") : NULL;
    rig_attach(avr, &script, edges);
    if (pty)
        make_terminal();

    double wall = seconds(CLOCK_MONOTONIC), cpu = seconds(CLOCK_PROCESS_CPUTIME_ID), pace = wall;
    avr_cycle_count_t began = 0, look = 0, held_at = 0;
    size_t next = 0;
    for (;;) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            fprintf(stderr, "the firmware has stopped\n");
            return 4;
        }
        look_at_the_stack();
        if (was_reset) {
            was_reset = 0;
            prepare_uart();
            rig_after_reset();
        }
        while (begun == 1 && !held && next < script.action_count && avr->cycle >= began + CYCLES(script.actions[next].us)) {
            do_action(&script.actions[next++]);
            held_at = avr->cycle;
        }
        if (avr->cycle < look)
            continue;
        look = avr->cycle + LOOK;
        host_bytes();
        if (begun == 2 || (!begun && !pty && avr->cycle >= STARTED)) {
            begun = 1;
            began = avr->cycle;
            wall = seconds(CLOCK_MONOTONIC);
            cpu = seconds(CLOCK_PROCESS_CPUTIME_ID);
            rig_begin(began);
        }
        if (held == 2) {
            held = 0;
            began += avr->cycle - held_at;
            rig_resume(avr->cycle - held_at);
        }
        if (begun && !held && !linger && avr->cycle >= began + CYCLES(script.end_us)) {
            report(seconds(CLOCK_MONOTONIC) - wall, seconds(CLOCK_PROCESS_CPUTIME_ID) - cpu, (double)(avr->cycle - began) / HZ);
            linger = 1;
        }
        if (linger && !pty)
            break;
        if (pty && (real || !begun || held || linger)) {
            double ahead = (double)avr->cycle / HZ - (seconds(CLOCK_MONOTONIC) - pace);
            struct pollfd closed = {0, POLLIN, 0};
            char c;
            if (ahead > 1 || ahead < -1) /* was not paced until now */
                pace = seconds(CLOCK_MONOTONIC) - (double)avr->cycle / HZ;
            else if (ahead > 0.002)
                usleep((useconds_t)(1e6 * ahead));
            if (poll(&closed, 1, 0) > 0 && read(0, &c, 1) <= 0)
                break;
        }
    }
    if (eeprom_path)
        eeprom(eeprom_path, 1);
    if (edges)
        fclose(edges);
    return 0;
}
