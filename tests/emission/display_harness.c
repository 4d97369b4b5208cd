/* Applies frames of a file to an emitted display, and writes what its units hold. */
#include <stdio.h>
#include <string.h>

#include "LINK_display.h"

static uint8_t shown[2][CAPITALS_PANEL_MEMORY_BYTES];

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

static void put_unit(const LINK_unit *unit)
{
    put(unit->memory, unit->memory_bytes);
    put(unit->palette, 3u * unit->colours);
    put(&unit->base, 4);
    put(&unit->border, 1);
    put(&unit->blank, 1);
    put(&unit->frames_outside, 4);
}

int main(int count, char **arguments)
{
    static uint8_t panel[CAPITALS_PANEL_MEMORY_BYTES];
    static uint8_t sign[CAPITALS_SIGN_MEMORY_BYTES];
    static LINK_colour colours[CAPITALS_PANEL_COLOURS];
    static LINK_colour sign_colours[CAPITALS_SIGN_COLOURS];
    LINK_unit units[2];
    LINK_display display;
    FILE *in = fopen(arguments[count - 1], "rb");
    uint64_t word;
    unsigned index;

    if (in == NULL)
        return 2;
    display.units = units;
    display.unit_count = 2;
    display.frames_reserved = 0;
    display.frames_unknown = 0;
    LINK_reset_panel(&units[0], panel, colours);
    LINK_reset_sign(&units[1], sign, sign_colours);
    for (index = 0; index < 2; index++) {
        units[index].draw = draw;
        units[index].context = shown[index];
    }
    while (fread(&word, sizeof word, 1, in) == 1)
        (void)LINK_display_take(&display, (LINK_word)word);
    fclose(in);
    put_unit(&units[0]);
    put_unit(&units[1]);
    put(&display.frames_reserved, 4);
    put(&display.frames_unknown, 4);
    /* The hook was told of every byte. */
    return memcmp(shown[0], panel, sizeof panel) == 0 && memcmp(shown[1], sign, sizeof sign) == 0 ? 0 : 1;
}
