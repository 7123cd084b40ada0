/* Constant text. On a processor that would copy it to its little RAM, the port keeps it where the code lies: it defines these three in
 * front of everything. */
#ifndef TEXT_H
#define TEXT_H

#include <stdbool.h>

#ifndef TEXT
#define TEXT(literal) (literal)     /* a literal as an argument */
#define TEXT_KEPT                   /* an attribute of a constant array of characters */
#define TEXT_CHAR(pointer) (*(pointer))
#endif

/* Whether `typed` begins with the text, and whether it is the text. */
bool text_begins(const char *typed, const char *text);
bool text_is(const char *typed, const char *text);

/* The word number `number` of several that each end with a zero. */
const char *text_word(const char *words, unsigned char number);

#endif
