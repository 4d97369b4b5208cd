/* Primes below 8192, over and over: the C program of the core's benchmark. */

#include <stdio.h>

static unsigned char is_prime[8192];

int main(void)
{
    unsigned number, multiple, count;
    unsigned char round;

    for (round = 0; round < 30; ++round) {
        count = 0;
        for (number = 0; number < sizeof is_prime; ++number) {
            is_prime[number] = 1;
        }
        for (number = 2; number < sizeof is_prime; ++number) {
            if (is_prime[number]) {
                ++count;
                for (multiple = number + number; multiple < sizeof is_prime; multiple += number) {
                    is_prime[multiple] = 0;
                }
            }
        }
    }
    printf("%u\n", count);
    return 0;
}
