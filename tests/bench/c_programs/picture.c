/* A picture that moves, worked out byte by byte and stored at $4000 to $9FFF: the C program of
   the whole road's benchmark. In a simulator without a picture it is only memory. */

#include <stdio.h>

int main(void)
{
    unsigned char frame, row, column, value;
    unsigned char* place;

    for (frame = 0; frame < 60; ++frame) {
        place = (unsigned char*) 0x4000;
        for (row = 0; row < 192; ++row) {
            value = row + frame;
            for (column = 0; column < 128; ++column) {
                value += column ^ frame;
                *place = value;
                ++place;
            }
        }
    }
    printf("%u\n", value);
    return 0;
}
