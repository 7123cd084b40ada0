/* What this board is built for. Each may be set from the outside: make CONFIG='-DCPR=10000 -DINDEX=0 -DNAME=\"bench-b\"'. */
#ifndef CONFIG_H
#define CONFIG_H

/* Kinds of indicator, for CH1 and CH2: the values of enum indicator_kind, as the preprocessor needs them. */
#define NONE 0
#define SCALE 1
#define BCD 2
#define FRAME24 3
#define ASCII 4

#ifndef CH1
#define CH1 SCALE
#endif
#ifndef CH2
#define CH2 NONE
#endif

#ifndef CPR
#define CPR 2400 /* four counts per line of the encoder */
#endif
#ifndef INDEX
#define INDEX 1
#endif
#ifndef NAME
#define NAME "bench-a"
#endif
#ifndef BAUD
#define BAUD 115200 /* 250000, 500000 and 1000000 are exact on a 16 MHz clock; 115200 is 2.1 % fast */
#endif
#ifndef RATE
#define RATE 200
#endif
#ifndef SCALE_STEP
#define SCALE_STEP "0.005mm" /* one count of a quadrature scale */
#endif
#ifndef CH1_INCH
#define CH1_INCH 0
#endif
#ifndef CH2_INCH
#define CH2_INCH 0
#endif
#ifndef ASCII_BAUD
#define ASCII_BAUD 9600
#endif

/* Gauges: decimals of a count. The 24-bit frame knows hundredths of mm and half thousandths of an inch. */
#define DECIMALS(kind, inch) ((kind) == FRAME24 ? ((inch) ? 4 : 2) : ((inch) ? 5 : 3))
#define STEP(kind, inch)                                                                                                       \
    ((kind) == NONE      ? 0                                                                                                   \
     : (kind) == SCALE   ? SCALE_STEP                                                                                          \
     : (kind) == FRAME24 ? ((inch) ? "0.0001in" : "0.01mm")                                                                    \
                         : ((inch) ? "0.00001in" : "0.001mm"))

/* No line can carry more, even if all numbers are short; what long numbers leave over is dropped and counted. */
#define RATE_LIMIT (BAUD / 10 / (CH2 == NONE ? 30 : 40))

#if CH1 == NONE
#error "channel 1 is required"
#endif
#if CH2 == ASCII
#error "a serial gauge goes on channel 1"
#endif
#if CPR < 4 || CPR > 1000000
#error "CPR is 4 to 1000000"
#endif

#endif
