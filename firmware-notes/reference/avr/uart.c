/* The line to the host: two rings between the core and the UART. */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "avr.h"
#include "config.h"
#include "port.h"

#define RX_MASK 63

/* 256 bytes, so that the indices wrap by themselves. Each index is written on one side only. */
static char tx[256];
static volatile uint8_t tx_head, tx_tail;
static uint8_t rx[RX_MASK + 1];
static volatile uint8_t rx_head, rx_tail;

ISR(USART_UDRE_vect)
{
    uint8_t tail = tx_tail;

    UDR0 = tx[tail++];
    tx_tail = tail;
    if (tail == tx_head)
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
}

ISR(USART_RX_vect)
{
    uint8_t broken = UCSR0A & (_BV(FE0) | _BV(DOR0));
    uint8_t byte = UDR0, next = (rx_head + 1) & RX_MASK;

    if (next == rx_tail) /* a host that floods the board loses bytes, and its line is not understood */
        return;
    rx[rx_head] = broken ? '?' : byte;
    rx_head = next;
}

void uart_start(void)
{
    UCSR0A = _BV(U2X0); /* before the divider: the emulator looks at it only then */
    UBRR0 = (F_CPU + 4UL * BAUD) / (8UL * BAUD) - 1;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

bool uart_waiting(void)
{
    return rx_head != rx_tail;
}

bool port_byte(uint8_t *byte)
{
    if (!uart_waiting())
        return false;
    *byte = rx[rx_tail];
    rx_tail = (rx_tail + 1) & RX_MASK;
    return true;
}

uint8_t port_room(void)
{
    return (uint8_t)(tx_tail - tx_head - 1);
}

void port_send(const char *text, uint8_t length)
{
    uint8_t head = tx_head;

    while (length--)
        tx[head++] = *text++;
    tx_head = head;
    uint8_t before = port_lock(); /* the interrupt changes the same register */
    UCSR0B |= _BV(UDRIE0);
    port_unlock(before);
}
