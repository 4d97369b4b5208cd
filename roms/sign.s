; Drawing on the tide sign: its two colours, all dark, and text in two sizes at any pixel.
; Callable from C as well (arguments in A, or A low and X high). Made-up board.

        .setcpu "65C02"
        .include "dunlin.inc"

        .export sign_palette, sign_clear, sign_print, sign_print_large
        .export _sign_palette, _sign_clear, _sign_print, _sign_print_large
        .exportzp sign_x, sign_y, _sign_x, _sign_y
        .import font

        .segment "ZEROPAGE"
string: .res 2
glyph:  .res 2
target: .res 2
column: .res 1                          ; byte column of the cell
shift:  .res 1
rows:   .res 1
index:  .res 1
large:  .res 1                          ; bit 7: twice as large
bits:   .res 3                          ; one row of the cell, high bit leftmost
mask:   .res 3                          ; and where it covers the sign
sign_x:
_sign_x:
        .res 1                          ; 0 to 127
sign_y:
_sign_y:
        .res 1                          ; 0 to 31

        .segment "CODE"

; Load both colours from a table of red, green, blue at A (low), X (high).
sign_palette:
_sign_palette:
        sta string
        stx string+1
        stz SIGN_REGISTERS + PALETTE_INDEX
        ldy #0
@next:  lda (string),y
        sta SIGN_REGISTERS + PALETTE_RED
        iny
        lda (string),y
        sta SIGN_REGISTERS + PALETTE_GREEN
        iny
        lda (string),y
        sta SIGN_REGISTERS + PALETTE_BLUE
        iny
        cpy #6
        bne @next
        rts

; Make the sign dark.
sign_clear:
_sign_clear:
        ldx #0
:       stz SIGN,x
        stz SIGN+256,x
        inx
        bne :-
        rts

; Print the string at A, X twice as large, in cells of 12 x 16 pixels.
sign_print_large:
_sign_print_large:
        ldy #$80
        bra print_any

; Print the string at A, X in cells of 6 x 8 pixels; the sign's column moves on.
sign_print:
_sign_print:
        ldy #0
print_any:
        sty large
        sta string
        stx string+1
        stz index
@character:
        ldy index
        lda (string),y
        beq @end
        inc index
        jsr find_glyph
        jsr find_target
        stz rows
@row:   ldy rows
        lda (glyph),y
        jsr spread
        jsr put_row
        bit large
        bpl @next
        ldy rows
        lda (glyph),y
        jsr spread
        jsr put_row
@next:  inc rows
        lda rows
        cmp #8
        bne @row
        lda sign_x
        clc
        adc #6
        bit large
        bpl :+
        adc #6
:       sta sign_x
        bra @character
@end:   rts

find_glyph:
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
        rts

; target = SIGN + 16 * y, column = x / 8, shift = x modulo 8
find_target:
        lda sign_y
        stz target+1
        asl a
        asl a
        asl a
        asl a
        sta target
        lda #>SIGN
        adc #0                          ; bit 4 of y went to carry
        sta target+1
        lda sign_x
        and #7
        sta shift
        lda sign_x
        lsr a
        lsr a
        lsr a
        sta column
        rts

; Make bits and mask of one row from the font's byte in A.
spread: stz bits+1
        stz bits+2
        stz mask+1
        stz mask+2
        ldx #$FC
        stx mask
        bit large
        bpl @small
        pha
        lsr a
        lsr a
        lsr a
        lsr a
        tax
        lda doubled,x
        sta bits
        pla
        and #$0F
        tax
        lda doubled,x
        sta bits+1
        lda #$FF
        sta mask
        lda #$F0
        sta mask+1
        bra @shift
@small: sta bits
@shift: ldx shift
        beq @done
:       lsr bits
        ror bits+1
        ror bits+2
        lsr mask
        ror mask+1
        ror mask+2
        dex
        bne :-
@done:  rts

; Put one row on the sign; what hangs over its right edge is left out.
put_row:
        ldy column
        ldx #0
@byte:  lda mask,x
        beq @done
        cpy #SIGN_STRIDE
        bcs @done
        eor #$FF
        and (target),y
        ora bits,x
        sta (target),y
        iny
        inx
        cpx #3
        bne @byte
@done:  lda target
        clc
        adc #SIGN_STRIDE
        sta target
        bcc :+
        inc target+1
:       rts

        .segment "RODATA"
doubled:
        .byte $00, $03, $0C, $0F, $30, $33, $3C, $3F
        .byte $C0, $C3, $CC, $CF, $F0, $F3, $FC, $FF
