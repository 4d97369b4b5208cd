/* Primes below 4096, and their sum. */

#include <stdio.h>

static unsigned char crossed[4096];

int main(void)
{
    unsigned number, multiple, count = 0;
    unsigned long sum = 0;

    for (number = 2; number < sizeof crossed; ++number) {
        if (crossed[number]) {
            continue;
        }
        ++count;
        sum += number;
        for (multiple = number + number; multiple < sizeof crossed; multiple += number) {
            crossed[multiple] = 1;
        }
    }
    printf("%u primes, sum %lu\n", count, sum);
    return count & 0xFF;
}
