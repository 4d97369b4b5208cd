/* waves: three drops fall into still water, and their rings go through each other.

   For each point it adds up three damped waves in 32-bit fixed-point numbers: the distance by
   a square root (with a 32-bit division), the phase and the damped height by multiplications.
   That is slow, so it draws from coarse to fine: first one point for each square of 32 x 32
   pixels, then of 16 x 16, and so on. The sign says how far it is. After the finest round
   the picture stays for a while, then another pond begins; Escape ends it. Pond and board are
   made up. */

#include <cc65.h>
#include <string.h>

#include "dunlin.h"

#define DROPS 3
#define COARSEST 32
#define FINEST 2
#define WAIT_REFRESHES 240
#define DISTANCES 80                    /* entries of the damping table */

typedef unsigned long ulong;

static const byte colours[48] = {
      6,  14,  38,      9,  24,  56,     12,  36,  74,     15,  50,  92,
     18,  65, 110,     22,  81, 126,     28,  98, 141,     36, 115, 154,
     48, 132, 165,     64, 149, 175,     84, 166, 185,    108, 182, 194,
    136, 198, 204,    168, 214, 215,    203, 231, 228,    240, 248, 244,
};
static const byte sign_colours[6] = {4, 16, 22, 130, 220, 240};

static byte drop_x[DROPS];              /* in pixels */
static byte drop_y[DROPS];
static byte drop_phase[DROPS];          /* in 256ths of a turn */
static byte drop_step[DROPS];           /* turns a pixel, times 4,096 */

static unsigned squares[256];
static byte roots[256];                 /* of 64 * index, rounded */
static byte damping[DISTANCES];         /* 170 at a drop, half of it 88 pixels away */

static void make_tables(void)
{
    static unsigned i;
    static unsigned square = 0;
    static unsigned middle = 0;         /* root * (root + 1): from there on the next one is nearer */
    static byte root = 0;

    for (i = 0; i < 256; ++i) {
        squares[i] = square;
        square += i + i + 1;
        while (middle < i << 6) {
            ++root;
            middle += root + root;
        }
        roots[i] = root;
    }
    for (i = 0; i < DISTANCES; ++i) {
        damping[i] = (byte)(3740 / (22 + i));
    }
}

/* The square root of a number: a table gives eight bits of it, and one step of Newton's method
   twice as many. */
static unsigned square_root(ulong number)
{
    ulong rest = number;
    unsigned first;
    byte shift = 0;

    if (number == 0) {
        return 0;
    }
    while (rest > 0x3FFF) {             /* two bits of the number are one of the root */
        rest >>= 2;
        ++shift;
    }
    first = roots[(unsigned)rest >> 6] << shift;
    if (first == 0) {
        return 1;
    }
    return (first + (unsigned)udiv32by16r16(number, first)) >> 1;
}

/* The colour of a point: 0 in the troughs, 15 on the crests. */
static byte height(byte x, byte y)
{
    long sum = 0;
    byte i;

    for (i = 0; i < DROPS; ++i) {
        byte across = x > drop_x[i] ? x - drop_x[i] : drop_x[i] - x;
        byte down = y > drop_y[i] ? y - drop_y[i] : drop_y[i] - y;
        /* in sixteenths of a pixel, at most 5,100 */
        unsigned distance = square_root(((ulong)squares[across] + squares[down]) << 8);
        ulong turns = umul16x8r32(distance, drop_step[i]);      /* 65,536 are one */
        int wave = sine[(byte)((byte)(turns >> 8) - drop_phase[i])];

        /* at most 127 * 170; kept as an int, since cc65 2.19 takes the product of an int and a
           byte for an unsigned one */
        wave *= damping[distance >> 6];
        sum += wave;
    }
    sum += 0x8000L;
    if (sum < 0) {
        return 0;
    }
    if (sum > 0xFFFFL) {
        return 15;
    }
    return (byte)((unsigned)sum >> 12);
}

/* Fill a square of pixels, its size an even number. */
static void square(byte x, byte y, byte size, byte colour)
{
    byte* row = PANEL + (unsigned)y * PANEL_STRIDE + (x >> 1);
    byte pair = (byte)(colour << 4) | colour;
    byte bytes = size >> 1;

    while (size != 0) {
        if (bytes == 1) {
            *row = pair;
        } else {
            memset(row, pair, bytes);
        }
        row += PANEL_STRIDE;
        --size;
    }
}

static void two_digits(char* text, byte number)
{
    text[0] = number < 10 ? ' ' : (char)('0' + number / 10);
    text[1] = (char)('0' + number % 10);
}

/* Show on the sign which squares are being drawn, and how much of them is done. */
static void progress(byte size, byte y)
{
    static char text[] = "SQUARES 32 x 32";
    byte* bar = SIGN + 26 * SIGN_STRIDE;
    byte done = (byte)((unsigned)y * 128 / PANEL_ROWS);
    byte i;

    if (y == 0) {
        two_digits(text + 8, size);
        two_digits(text + 13, size);
        sign_x = 20;
        sign_y = 17;
        sign_print(text);
        for (i = 0; i < SIGN_STRIDE; ++i) {
            bar[i] = bar[i + 2 * SIGN_STRIDE] = bar[i + 3 * SIGN_STRIDE] = 0;
            bar[i] = bar[i + 4 * SIGN_STRIDE] = 0xFF;
        }
    }
    for (i = 0; i < done >> 3; ++i) {
        bar[i + 2 * SIGN_STRIDE] = 0xFF;
    }
}

static void new_drops(void)
{
    byte i;

    for (i = 0; i < DROPS; ++i) {
        drop_x[i] = (RANDOM >> 1) + (RANDOM >> 2) + 32;
        drop_y[i] = (RANDOM >> 1) + 32;
        drop_phase[i] = RANDOM;
        drop_step[i] = 120 + (RANDOM & 63);
    }
}

int main(void)
{
    byte size;
    byte x;
    byte y;
    byte i;

    panel_palette(colours);
    sign_palette(sign_colours);
    PANEL_REGISTER(BORDER) = 0;
    sign_clear();
    sign_x = 34;
    sign_y = 0;
    sign_print_large("WAVES");

    make_tables();
    for (;;) {
        new_drops();
        for (size = COARSEST; size >= FINEST; size >>= 1) {
            y = 0;
            do {
                if (KEY_CODE == KEY_ESCAPE) {
                    return 0;
                }
                progress(size, y);
                x = 0;
                do {
                    /* the points of the round before stand already */
                    if (size == COARSEST || ((x | y) & size) != 0) {
                        square(x, y, size, height(x, y));
                    }
                    x += size;
                } while (x != 0);
                y += size;
            } while (y != PANEL_ROWS);
        }
        for (i = 0; i < WAIT_REFRESHES; ++i) {
            REFRESH_ACK = 0;
            while ((REFRESH & 0x80) == 0) {
            }
        }
    }
}
