/* Ways to put seven queens on a board, by recursion on the C stack. */

#include <stdio.h>

#define SIZE 7

static unsigned ways;
static unsigned char columns[SIZE];

static unsigned char is_free(unsigned char row, unsigned char column)
{
    unsigned char before, distance;

    for (before = 0; before < row; ++before) {
        distance = row - before;
        if (columns[before] == column || columns[before] + distance == column
            || columns[before] == column + distance) {
            return 0;
        }
    }
    return 1;
}

static void place(unsigned char row)
{
    unsigned char column;

    if (row == SIZE) {
        ++ways;
        return;
    }
    for (column = 0; column < SIZE; ++column) {
        if (is_free(row, column)) {
            columns[row] = column;
            place(row + 1);
        }
    }
}

int main(void)
{
    place(0);
    printf("%u ways\n", ways);
    return ways;
}
