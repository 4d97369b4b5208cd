/* The Dunlin board as a C program sees it; dunlin.inc says the same for assembly and has the
   memory map. The board and its museum are made up. */

#ifndef DUNLIN_H
#define DUNLIN_H

typedef unsigned char byte;

#define PANEL ((byte*)0x4000)           /* two pixels a byte, the left one in the high nibble */
#define PANEL_STRIDE 128
#define PANEL_ROWS 192

#define SIGN ((byte*)0xA000)            /* eight pixels a byte, the left one in bit 7 */
#define SIGN_STRIDE 16
#define SIGN_ROWS 32

/* Registers of a display unit. */
#define PANEL_REGISTER(offset) (*(volatile byte*)(0xA300 + (offset)))
#define SIGN_REGISTER(offset) (*(volatile byte*)(0xA310 + (offset)))
#define BORDER 2

/* Host port. */
#define KEY_READY (*(volatile byte*)0xA400)     /* bit 7: a key waits */
#define KEY_CODE (*(volatile byte*)0xA401)      /* reading takes it */
#define CONSOLE (*(volatile byte*)0xA402)
#define RANDOM (*(volatile byte*)0xA403)
#define REFRESH (*(volatile byte*)0xA408)       /* bit 7: a refresh has begun */
#define REFRESH_ACK (*(volatile byte*)0xA409)
/* What main returns is written to the host port's EXIT. */

#define KEY_RETURN 13
#define KEY_BACKSPACE 8
#define KEY_ESCAPE 27
#define KEY_UP 128
#define KEY_DOWN 129
#define KEY_LEFT 130
#define KEY_RIGHT 131

/* panel.s: text goes to byte column `text_column` (two pixels), row `text_row`; the column
   moves on. text_colours takes the ink in the high nibble, the paper in the low one. */
extern byte text_column, text_row;
#pragma zpsym("text_column")
#pragma zpsym("text_row")
void __fastcall__ panel_palette(const byte* colours);
void __fastcall__ panel_clear(byte two_pixels);
void __fastcall__ text_colours(byte ink_and_paper);
void __fastcall__ panel_print(const char* text);
void __fastcall__ panel_print_large(const char* text);

/* sign.s: text goes to pixel `sign_x`, `sign_y`; x moves on. */
extern byte sign_x, sign_y;
#pragma zpsym("sign_x")
#pragma zpsym("sign_y")
void __fastcall__ sign_palette(const byte* colours);
void sign_clear(void);
void __fastcall__ sign_print(const char* text);
void __fastcall__ sign_print_large(const char* text);

/* sine.s: 127 times the sine, 256 steps to a turn. */
extern const signed char sine[256];

#endif
