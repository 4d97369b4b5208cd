/* Measures, on an AVR, the cycles of each symbol with noise, and writes the most of them. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include "LINK_link.h"

static void put(char letter)
{
    volatile uint8_t wait;

    UDR0 = (uint8_t)letter;
    for (wait = 0; wait < 200; wait++) {
    }
}

static void put_number(uint16_t value)
{
    char digits[6];
    uint8_t count = 0;

    do {
        digits[count++] = (char)('0' + value % 10);
        value /= 10;
    } while (value != 0);
    while (count != 0)
        put(digits[--count]);
    put('\n');
}

int main(void)
{
    LINK_receiver receiver;
    LINK_frame frame;
    LINK_fields fields = { 0 };
    uint32_t random = 1;
    uint16_t most = 0;
    uint16_t slot;

    TCCR1A = 0;
    TCCR1B = 1; /* the timer counts cycles */
    UCSR0B = 1 << TXEN0;
    LINK_reset(&receiver);
    for (slot = 0; slot < 400; slot++) {
        LINK_word word = 0;
        unsigned index;

        random = random * 1664525u + 1013904223u;
        fields.space = 1;
        fields.address = (uint16_t)(random >> 8);
        fields.data = (uint8_t)(random >> 20);
        if (slot > 10 && random >> 28 > 4)
            word = LINK_encode(&fields);
        for (index = 0; index < CAPITALS_SLOT_SYMBOLS; index++) {
            LINK_symbol symbol = word != 0 ? LINK_symbol_of(word, index) : LINK_idle_symbol(index);
            uint16_t before;
            uint16_t after;

            random = random * 1664525u + 1013904223u;
            if (slot > 20 && random >> 26 == 0)
                symbol ^= 1;
            before = TCNT1;
            (void)LINK_receive_symbol(&receiver, symbol, &frame);
            after = TCNT1;
            if ((uint16_t)(after - before) > most)
                most = (uint16_t)(after - before);
        }
    }
    put_number(most);
    put_number((uint16_t)receiver.counters[CAPITALS_FRAMES_RECEIVED]);
    cli();
    sleep_enable();
    sleep_cpu();
    return 0;
}
