#include "text.h"

bool text_begins(const char *typed, const char *text)
{
    for (char c; (c = TEXT_CHAR(text)) != 0; text++, typed++)
        if (*typed != c)
            return false;
    return true;
}

bool text_is(const char *typed, const char *text)
{
    for (; *typed && *typed == TEXT_CHAR(text); typed++)
        text++;
    return !*typed && !TEXT_CHAR(text);
}

const char *text_word(const char *words, unsigned char number)
{
    for (; number; words++)
        if (!TEXT_CHAR(words))
            number--;
    return words;
}
