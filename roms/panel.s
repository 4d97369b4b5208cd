; Drawing on the panel: its palette, one colour all over, and text in two sizes.
; Callable from C as well (arguments in A, or A low and X high). Made-up board.

        .setcpu "65C02"
        .include "dunlin.inc"

        .export panel_palette, panel_clear, panel_print, panel_print_large, text_colours
        .export _panel_palette, _panel_clear, _panel_print, _panel_print_large, _text_colours
        .exportzp text_column, text_row, _text_column, _text_row
        .import font

        .segment "ZEROPAGE"
string: .res 2
glyph:  .res 2
target: .res 2
bits:   .res 1
rows:   .res 1
index:  .res 1
pairs:  .res 4                          ; two pixels for font bits 00, 01, 10, 11
text_column:
_text_column:
        .res 1                          ; in bytes, 0 to 127
text_row:
_text_row:
        .res 1                          ; 0 to 191

        .segment "CODE"

; Load all sixteen colours from a table of red, green, blue at A (low), X (high).
panel_palette:
_panel_palette:
        sta string
        stx string+1
        stz PANEL_REGISTERS + PALETTE_INDEX
        ldy #0
@next:  lda (string),y
        sta PANEL_REGISTERS + PALETTE_RED
        iny
        lda (string),y
        sta PANEL_REGISTERS + PALETTE_GREEN
        iny
        lda (string),y
        sta PANEL_REGISTERS + PALETTE_BLUE
        iny
        cpy #48
        bne @next
        rts

; Fill the whole panel with the byte in A (two pixels), from the top down.
; Eight pages a loop: 45 cycles for 8 bytes.
panel_clear:
_panel_clear:
        ldx #0
        .repeat PANEL_PAGES / 8, group
:       .repeat 8, page
        sta PANEL + (group * 8 + page) * 256,x
        .endrepeat
        inx
        bne :-
        .endrepeat
        rts

; Choose the colours of text: ink in the high nibble of A, paper in the low one.
text_colours:
_text_colours:
        sta pairs+2                     ; ink, paper
        and #$0F
        sta pairs
        asl a
        asl a
        asl a
        asl a
        sta bits                        ; paper in the high nibble
        tsb pairs                       ; paper, paper
        lda pairs+2
        lsr a
        lsr a
        lsr a
        lsr a
        sta pairs+3
        ora bits
        sta pairs+1                     ; paper, ink
        lda pairs+2
        and #$F0
        tsb pairs+3                     ; ink, ink
        rts

; Point `glyph` at the picture of the character in A; `target` at the text's place.
find_places:
        sec
        sbc #32
        stz glyph+1
        asl a
        rol glyph+1
        asl a
        rol glyph+1
        asl a
        rol glyph+1
        clc
        adc #<font
        sta glyph
        lda glyph+1
        adc #>font
        sta glyph+1
        lda text_row                    ; address = PANEL + 128 * row + column
        lsr a
        php
        clc
        adc #>PANEL
        sta target+1
        plp
        lda #0
        ror a
        ora text_column
        sta target
        rts

; Print the string at A, X in cells of 6 x 8 pixels; the text's column moves on.
panel_print:
_panel_print:
        sta string
        stx string+1
        stz index
@character:
        ldy index
        lda (string),y
        beq @end
        inc index
        jsr find_places
        ldy #0
@row:   lda (glyph),y
        sta bits
        phy
        ldy #0
@pair:  lda #0
        asl bits
        rol a
        asl bits
        rol a
        tax
        lda pairs,x
        sta (target),y
        iny
        cpy #3
        bne @pair
        ply
        jsr row_down
        iny
        cpy #8
        bne @row
        lda text_column
        clc
        adc #3
        sta text_column
        bra @character
@end:   rts

row_down:
        lda target
        eor #$80
        sta target
        bmi @done
        inc target+1
@done:  rts

; Print the string at A, X twice as large, in cells of 12 x 16 pixels.
panel_print_large:
_panel_print_large:
        sta string
        stx string+1
        stz index
@character:
        ldy index
        lda (string),y
        beq @end
        inc index
        jsr find_places
        stz rows
@row:   ldy rows
        lda (glyph),y
        sta bits
        ldy #0
@pixel: lda pairs
        asl bits
        bcc :+
        lda pairs+3
:       sta (target),y
        tax
        tya
        ora #$80                        ; the row below
        tay
        txa
        sta (target),y
        tya
        and #$7F
        inc a
        tay
        cpy #6
        bne @pixel
        inc target+1
        inc rows
        lda rows
        cmp #8
        bne @row
        lda text_column
        clc
        adc #6
        sta text_column
        bra @character
@end:   rts
