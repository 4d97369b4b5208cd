/* CRC-32 bit by bit over what a shift register makes: shifts and XORs of 32 bits. */

#include <stdio.h>

int main(void)
{
    unsigned long crc = 0xFFFFFFFF;
    unsigned char lfsr = 1, bit;
    unsigned number;

    for (number = 0; number < 500; ++number) {
        lfsr = (lfsr & 1) ? (lfsr >> 1) ^ 0xB8 : lfsr >> 1;
        crc ^= lfsr;
        for (bit = 0; bit < 8; ++bit) {
            crc = (crc & 1) ? (crc >> 1) ^ 0xEDB88320 : crc >> 1;
        }
    }
    crc = ~crc;
    printf("%08lX\n", crc);
    return (unsigned char) crc;
}
