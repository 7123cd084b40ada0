/* What the files of this port share. */
#ifndef AVR_H
#define AVR_H

#include <stdbool.h>
#include <stdint.h>

#include "board.h"

extern struct board board;

void uart_start(void);
bool uart_waiting(void); /* bytes from the host */
void timer_start(void);
void soft_uart_start(void);
void soft_uart_start_bit(void); /* from its interrupt */

void inputs_start(void); /* as the board's settings say */
void inputs_look(void);  /* once in each step of the main loop: inputs that were shut off because of noise are let in again */

#endif
