; rule30: a row of 256 cells, each on or off, and a rule that makes the next row of it:
;       new cell = left XOR (itself OR right)
; Read as a number, the rule's eight results are 00011110, which is 30. It starts with one
; cell. Each generation is one row of the panel; when the panel is full, the next row goes
; over the oldest one, at the top, and the base address moves on by a row: the picture scrolls
; and still only 128 bytes a row are stored. The sign shows the rule and counts the rows.
; Made for the made-up Dunlin board.
;
; The scrolling is slow on purpose. At a row in eight refreshes a pixel changes seven or
; eight times a second at most, and half as often as a rule; faster, the picture would flicker.

        .setcpu "65C02"
        .include "dunlin.inc"

        .export main, irq
        .import panel_palette, panel_clear
        .import sign_palette, sign_clear, sign_print, sign_print_large
        .import decimal, decimal_text
        .importzp sign_x, sign_y, number

CELL_BYTES      = 32                    ; 256 cells
FIRST_ROWS      = 32                    ; drawn at once
ROWS_A_REFRESH  = 4                     ; then, until the panel is full
SCROLL_REFRESHES = 8                    ; and then refreshes a row
COLOUR_ROWS     = 10                    ; of one colour

        .segment "ZEROPAGE"
to:     .res 2                          ; where the next row goes
base:   .res 2                          ; offset of the topmost row
row:    .res 2                          ; rows so far
count:  .res 1
cells:  .res 1
colour_rows:
        .res 1                          ; rows that its colour still has
pairs:  .res 4                          ; two pixels for cells 00, 01, 10, 11

        .segment "BSS"
this:   .res CELL_BYTES                 ; bit 7 of byte 0 is the leftmost cell
lefts:  .res CELL_BYTES                 ; each cell's left neighbour

        .segment "CODE"

main:   print panel_palette, palette
        print sign_palette, sign_colours
        lda #0
        sta PANEL_REGISTERS + BORDER
        jsr panel_clear
        jsr sign_clear

        lda #>PANEL
        sta to+1
        lda #$01                        ; one cell in the middle
        sta this + CELL_BYTES / 2 - 1

        lda #FIRST_ROWS
        jsr some_rows
        jsr show_rule
        sta REFRESH_ACK
        ldx #(PANEL_ROWS - FIRST_ROWS) / ROWS_A_REFRESH
@fill:  phx
        wait_refresh
        lda #ROWS_A_REFRESH
        jsr some_rows
        plx
        dex
        bne @fill

@scroll:
        ldx #SCROLL_REFRESHES
:       wait_refresh
        dex
        bne :-
        jsr draw_row
        jsr scroll_row
        jsr next_generation
        bra @scroll

irq:    rti

; Draw A rows below each other.
some_rows:
        sta count
:       jsr draw_row
        jsr next_generation
        dec count
        bne :-
        jmp show_row

; ---- the rule ----

next_generation:
        ldx #0                          ; each cell's left neighbour: all one to the right,
        lda this + CELL_BYTES - 1
        lsr a                           ; and the last cell comes in first
:       lda this,x
        ror a
        sta lefts,x
        inx
        txa
        eor #CELL_BYTES                 ; (leaves the carry alone)
        bne :-

        lda this
        asl a                           ; the first cell comes in last
        ldx #CELL_BYTES - 1
:       lda this,x
        rol a                           ; each cell's right neighbour
        php
        ora this,x
        eor lefts,x
        plp
        sta this,x
        dex
        bpl :-

        inc row
        bne :+
        inc row+1
:       rts

; ---- the panel ----

; Draw the row of cells at `to` and move `to` on by a row, back to the top after the last.
draw_row:
        dec colour_rows
        bpl @same
        lda #COLOUR_ROWS - 1
        sta colour_rows
        lda pairs+3                     ; $11, $22 ... $FF, then $11 again
        clc
        adc #$11
        bcc :+
        lda #$11
:       sta pairs+3
        and #$0F
        sta pairs+1
        eor pairs+3
        sta pairs+2
@same:

        ldy #0
@byte:  tya
        lsr a
        lsr a
        tax
        lda this,x
        sta cells
        .repeat 4
        lda #0
        asl cells
        rol a
        asl cells
        rol a
        tax
        lda pairs,x
        sta (to),y
        iny
        .endrepeat
        bpl @byte

        lda to
        eor #$80
        sta to
        bmi :+
        inc to+1
        lda to+1
        cmp #>PANEL + PANEL_PAGES
        bne :+
        lda #>PANEL
        sta to+1
:       rts

; Let the picture begin one row later.
scroll_row:
        lda base
        eor #$80
        sta base
        bmi :+
        inc base+1
        lda base+1
        cmp #PANEL_PAGES
        bne :+
        stz base+1
:       lda base
        sta PANEL_REGISTERS + BASE_LOW
        lda base+1
        sta PANEL_REGISTERS + BASE_HIGH

; Count on the sign.
show_row:
        lda row
        sta number
        lda row+1
        sta number+1
        stz number+2
        jsr decimal
        sign_at 91, 10
        print sign_print, decimal_text + 4
        rts

; ---- the sign ----

; The name, and for each three cells what the middle one becomes.
show_rule:
        sign_at 2, 1
        print sign_print_large, name
        sign_at 91, 1
        print sign_print, row_text

        ldx #7                          ; cells 111 stand on the left, 000 on the right
        ldy #0
@case:  lda #%00111011
        sta SIGN + 20 * SIGN_STRIDE,y
        sta SIGN + 22 * SIGN_STRIDE,y
        lda #%10111000
        sta SIGN + 20 * SIGN_STRIDE + 1,y
        sta SIGN + 22 * SIGN_STRIDE + 1,y
        lda middle_left,x
        sta SIGN + 21 * SIGN_STRIDE,y
        lda middle_right,x
        sta SIGN + 21 * SIGN_STRIDE + 1,y
        lda #%00000011
        sta SIGN + 25 * SIGN_STRIDE,y
        sta SIGN + 27 * SIGN_STRIDE,y
        lda #%10000000
        sta SIGN + 25 * SIGN_STRIDE + 1,y
        sta SIGN + 26 * SIGN_STRIDE + 1,y
        sta SIGN + 27 * SIGN_STRIDE + 1,y
        lda result,x
        sta SIGN + 26 * SIGN_STRIDE,y
        iny
        iny
        dex
        bpl @case
        rts

        .segment "RODATA"
name:   .byte "RULE 30", 0
row_text:
        .byte "   ROW", 0

; Middle rows of three cells 000 to 111; a cell that is off is hollow.
middle_left:
        .byte %00101010, %00101010, %00101011, %00101011
        .byte %00111010, %00111010, %00111011, %00111011
middle_right:
        .byte %10101000, %10111000, %10101000, %10111000
        .byte %10101000, %10111000, %10101000, %10111000
; And of what the middle one becomes: 0, 1, 1, 1, 1, 0, 0, 0.
result: .byte %00000010, %00000011, %00000011, %00000011
        .byte %00000011, %00000010, %00000010, %00000010

; Fifteen colours of one brightness, round the colour circle.
palette:
        .byte  14,  18,  34
        .byte 223, 155,  68
        .byte 237, 143,  97
        .byte 242, 136, 133
        .byte 236, 134, 170
        .byte 220, 138, 205
        .byte 196, 147, 232
        .byte 164, 158, 249
        .byte 125, 170, 253
        .byte  78, 182, 243
        .byte   1, 191, 221
        .byte   0, 196, 189
        .byte  69, 196, 152
        .byte 121, 191, 114
        .byte 164, 182,  79
        .byte 198, 169,  59
sign_colours:
        .byte   8,  20,  16
        .byte 120, 235, 170
