/* Applies frames of a file to an emitted display, and writes what its units hold. */
#include <stdio.h>
#include <string.h>

#include "LINK_display.h"

#define UNITS UNIT_COUNT

static uint8_t memory[UNITS][1 << 16];
static uint8_t shown[UNITS][1 << 16];
static LINK_colour palettes[UNITS][256];

static void draw(void *context, const LINK_unit *unit, uint32_t offset)
{
    uint8_t *copy = context;

    if (offset != CAPITALS_WHOLE_PICTURE)
        copy[offset] = unit->memory[offset];
}

static void put(const void *bytes, size_t count)
{
    fwrite(bytes, 1, count, stdout);
}

static void put_unit(LINK_unit *unit)
{
    put(unit->memory, unit->memory_bytes);
    put(unit->palette, (size_t)3 * unit->colours);
    put(&unit->base, 4);
    put(&unit->border, 1);
    put(&unit->blank, 1);
    put(&unit->frames_outside, 4);
    put(&unit->cursor, 4);
    put(&unit->cursor_shape, 1);
    put(&unit->text_colours, 1);
    LINK_refresh(unit);
    put(&unit->page_shown, 1);
}

int main(int count, char **arguments)
{
    LINK_unit units[UNITS];
    LINK_display display;
    FILE *in = fopen(arguments[count - 1], "rb");
    uint64_t word;
    unsigned index;
    int is_same = 1;

    if (in == NULL)
        return 2;
    display.units = units;
    display.unit_count = UNITS;
    display.frames_reserved = 0;
    display.frames_unknown = 0;
    RESETS
    for (index = 0; index < UNITS; index++) {
        units[index].draw = draw;
        units[index].context = shown[index];
        memcpy(shown[index], memory[index], sizeof shown[index]);
    }
    while (fread(&word, sizeof word, 1, in) == 1)
        (void)LINK_display_take(&display, (LINK_word)word);
    fclose(in);
    for (index = 0; index < UNITS; index++) {
        put_unit(&units[index]);
        /* The hook was told of every byte. */
        is_same &= memcmp(shown[index], memory[index], sizeof shown[index]) == 0;
    }
    put(&display.frames_reserved, 4);
    put(&display.frames_unknown, 4);
    return is_same ? 0 : 1;
}
