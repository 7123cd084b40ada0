/* What the files of this port share. */
#ifndef AVR_H
#define AVR_H

#include <stdbool.h>
#include <stdint.h>

#include "turned.h"

#include "board.h"

extern struct board board;

void uart_start(void);
bool uart_waiting(void); /* bytes from the host */
void timer_start(void);
void inputs_start(void);
void soft_uart_start(void);

#endif
