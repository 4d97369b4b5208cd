/* Feeds symbols of a file to an emitted receiver, and writes its state after every few of them. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "link.h"

static FILE *frames_out;

static void put(FILE *out, uint64_t value)
{
    if (fwrite(&value, sizeof value, 1, out) != 1)
        exit(3);
}

static void take(void *context, const LINK_frame *frame)
{
    (void)context;
    put(frames_out, frame->first_symbol);
    put(frames_out, frame->word);
}

static void put_state(FILE *out, const LINK_receiver *receiver)
{
    unsigned index;

    put(out, receiver->state);
    put(out, receiver->window);
    put(out, receiver->filled);
    put(out, receiver->position);
    put(out, receiver->valid_run);
    put(out, receiver->invalid_run);
    put(out, receiver->may_correct);
    put(out, receiver->expects ? receiver->expected : UINT64_MAX);
    put(out, receiver->was_active);
    put(out, receiver->position > 0 ? receiver->frame_first : 0);
    for (index = 0; index < LINK_COUNTERS; index++)
        put(out, receiver->counters[index]);
}

/* Arguments: symbols (uint32 each), how many at a time, "symbols" or "packed", states, frames. */
int main(int count, char **arguments)
{
    static uint32_t symbols[1 << 12];
    static uint32_t packed[1 << 12];
    LINK_receiver receiver;
    LINK_frame frame;
    FILE *in = fopen(arguments[1], "rb");
    const size_t step = (size_t)atoi(arguments[2]);
    const int is_packed = strcmp(arguments[3], "packed") == 0;
    FILE *states_out = fopen(arguments[4], "wb");
    uint32_t offset = 0;
    size_t found;

    frames_out = fopen(arguments[5], "wb");
    if (count != 6 || in == NULL || states_out == NULL || frames_out == NULL)
        return 2;
    LINK_reset(&receiver);
    while ((found = fread(symbols, sizeof symbols[0], step, in)) > 0) {
        size_t index;

        if (is_packed) {
            memset(packed, 0, sizeof packed);
            for (index = 0; index < found * LINK_SYMBOL_BITS; index++) {
                const size_t shift = LINK_SYMBOL_BITS - 1 - index % LINK_SYMBOL_BITS;
                const uint32_t bit = symbols[index / LINK_SYMBOL_BITS] >> shift & 1;
                const size_t at = offset + index;
                packed[at / 32] |= bit << (31 - at % 32);
            }
            LINK_receive_packed(&receiver, packed, offset, (uint32_t)found, take, NULL);
            offset = (offset + 7) % 45;
        } else {
            for (index = 0; index < found; index++) {
                if (LINK_receive_symbol(&receiver, (LINK_symbol)symbols[index], &frame))
                    take(NULL, &frame);
            }
        }
        put_state(states_out, &receiver);
    }
    fclose(states_out);
    fclose(frames_out);
    fclose(in);
    return 0;
}
