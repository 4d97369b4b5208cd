/* Multiplication, division and remainder of 32 bits with signs; text made from numbers. */

#include <stdio.h>
#include <string.h>

int main(void)
{
    static char text[200], word[16];
    long dividend = 1, total = 0;
    int divisor;

    for (divisor = -60; divisor < 60; divisor += 7) {
        dividend = dividend * -37 + divisor;
        total += dividend / divisor;
        total ^= dividend % divisor;
        sprintf(word, "%d ", (int) (total & 0x7FFF));
        if (strlen(text) + strlen(word) < sizeof text) {
            strcat(text, word);
        }
    }
    printf("%s%ld\n", text, total);
    return strlen(text);
}
