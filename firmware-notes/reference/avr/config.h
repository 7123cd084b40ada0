/* What is built in; all else is set by the owner and kept in the EEPROM. */
#ifndef CONFIG_H
#define CONFIG_H

#ifndef BAUD
#define BAUD 115200 /* 250000, 500000 and 1000000 are exact on a 16 MHz clock; 115200 is 2.1 % fast */
#endif
#define RATE 200
#define ASCII_BAUD 9600

/* No line can carry more, even if all numbers are short; what long numbers leave over is dropped and counted. */
#define RATE_LIMIT(channels) (BAUD / 10 / ((channels) == 1 ? 30 : 40))

#endif
