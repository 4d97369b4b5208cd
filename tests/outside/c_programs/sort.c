/* qsort through a function pointer, then a search for each number. */

#include <stdio.h>
#include <stdlib.h>

static int numbers[200];

static int compare(const void* left, const void* right)
{
    int a = *(const int*) left, b = *(const int*) right;
    return a < b ? -1 : a > b;
}

int main(void)
{
    unsigned index, found = 0;
    int state = 12345;

    for (index = 0; index < 200; ++index) {
        state = state * 25173 + 13849;
        numbers[index] = state;
    }
    qsort(numbers, 200, sizeof numbers[0], compare);
    for (index = 1; index < 200; ++index) {
        if (numbers[index - 1] > numbers[index]) {
            puts("not sorted");
            return 1;
        }
        if (bsearch(&numbers[index], numbers, 200, sizeof numbers[0], compare)) {
            ++found;
        }
    }
    printf("%d %d %u\n", numbers[0], numbers[199], found);
    return found;
}
