; fill: what unrolling a loop is worth.
;
; Clears the whole panel (24,576 bytes) byte by byte, through (zero page),Y:
;       sta (to),y   6 cycles
;       iny          2
;       bne          3              11 cycles a byte
; and then with stores that are unrolled eight times, to eight pages in one loop:
;       sta page,x   5 cycles, eight times
;       inx          2
;       bne          3              45 cycles for 8 bytes, 5.625 a byte
; Each is timed with the host port's TICK and shown as a bar, the ratio stands on the sign.
; Four rounds, then the program ends with EXIT 0. The board is made up.
;
; The eight colours that it clears with have nearly the same luminance (0.09 to 0.11), so
; the change of the whole picture is no flash.

        .setcpu "65C02"
        .include "dunlin.inc"

        .export main, irq
        .import panel_palette, panel_print, panel_print_large, text_colours
        .import sign_palette, sign_clear, sign_print, sign_print_large
        .import decimal, decimal_text
        .importzp text_column, text_row, sign_x, sign_y, number

ROUNDS          = 4
READ_REFRESHES  = 36                    ; time to look at a result
INK             = 15
PAPER           = 8                     ; the report's ground
BAR_SLOW        = 13
BAR_FAST        = 14
REPORT_ROW      = 40
BAR_COLUMN      = 8

        .segment "ZEROPAGE"
to:     .res 2
colour: .res 1
round:  .res 1
began:  .res 3                          ; TICK when the clearing began
slow:   .res 3                          ; cycles byte by byte
fast:   .res 3                          ; cycles unrolled
ratio:  .res 2                          ; in hundredths
rest:   .res 4
steps:  .res 1
pixels: .res 1

        .segment "CODE"

main:   print panel_palette, palette
        print sign_palette, sign_colours
        lda #PAPER
        sta PANEL_REGISTERS + BORDER
        jsr sign_clear
        sign_at 22, 12
        print sign_print, title

next_round:
        jsr next_colour
        jsr start_clock
        lda colour
        jsr clear_byte_by_byte
        ldx #slow
        jsr stop_clock
        jsr report_ground
        jsr report_slow
        lda #READ_REFRESHES
        jsr pause

        jsr next_colour
        jsr start_clock
        lda colour
        jsr clear_unrolled
        ldx #fast
        jsr stop_clock
        jsr report_ground
        jsr report_slow
        jsr report_fast
        jsr report_ratio
        lda #READ_REFRESHES * 2
        jsr pause

        inc round
        lda round
        cmp #ROUNDS
        bne next_round
        rts                             ; start.s makes it EXIT 0

irq:    rti

; The next of the eight grounds, for both pixels of a byte.
next_colour:
        lda colour
        clc
        adc #$11
        cmp #$88
        bcc :+
        lda #$00
:       sta colour
        rts

; ---- the two ways to clear ----

clear_byte_by_byte:
        ldy #<PANEL
        sty to
        ldy #>PANEL
        sty to+1
        ldx #PANEL_PAGES
        ldy #0
@byte:  sta (to),y
        iny
        bne @byte
        inc to+1
        dex
        bne @byte
        rts

clear_unrolled:
        ldx #0
        .repeat PANEL_PAGES / 8, group
:       .repeat 8, page
        sta PANEL + (group * 8 + page) * 256,x
        .endrepeat
        inx
        bne :-
        .endrepeat
        rts

; ---- time ----

start_clock:
        lda TICK
        sta began
        lda TICK+1
        sta began+1
        lda TICK+2
        sta began+2
        rts

; Store the cycles since start_clock at the zero-page address in X.
stop_clock:
        lda TICK
        sec
        sbc began
        sta 0,x
        lda TICK+1
        sbc began+1
        sta 1,x
        lda TICK+2
        sbc began+2
        sta 2,x
        rts

; Wait as many refreshes as A says.
pause:  sta REFRESH_ACK
@next:  wait_refresh
        dec a
        bne @next
        rts

; ---- the report ----

; A card in the middle of the panel, rows 40 to 151.
report_ground:
        lda #REPORT_ROW
        sta text_row
@row:   jsr row_address
        ldy #BAR_COLUMN - 4
        lda text_row
        cmp #REPORT_ROW
        beq @edge
        cmp #REPORT_ROW + 111
        beq @edge
        lda #PAPER * $11
:       sta (to),y
        iny
        cpy #128 - (BAR_COLUMN - 4)
        bne :-
        bra @next
@edge:  lda #INK * $11
:       sta (to),y
        iny
        cpy #128 - (BAR_COLUMN - 4)
        bne :-
@next:  inc text_row
        lda text_row
        cmp #REPORT_ROW + 112
        bne @row

        lda #INK * 16 + PAPER
        jsr text_colours
        text_at BAR_COLUMN, REPORT_ROW + 6
        print panel_print, heading
        text_at BAR_COLUMN + 94, REPORT_ROW + 6
        lda round
        clc
        adc #'1'
        sta round_text
        print panel_print, round_text
        rts

report_slow:
        lda #BAR_SLOW * 16 + PAPER
        jsr text_colours
        text_at BAR_COLUMN, REPORT_ROW + 22
        print panel_print, slow_text
        ldx #slow
        jsr print_cycles
        lda #REPORT_ROW + 32
        sta text_row
        lda slow
        ldx slow+1
        ldy slow+2
        jsr bar_pixels
        lda #BAR_SLOW * $11
        jmp draw_bar

report_fast:
        lda #BAR_FAST * 16 + PAPER
        jsr text_colours
        text_at BAR_COLUMN, REPORT_ROW + 54
        print panel_print, fast_text
        ldx #fast
        jsr print_cycles
        lda #REPORT_ROW + 64
        sta text_row
        lda fast
        ldx fast+1
        ldy fast+2
        jsr bar_pixels
        lda #BAR_FAST * $11
        jmp draw_bar

; Print the three bytes at zero page X with "cycles".
print_cycles:
        lda 0,x
        sta number
        lda 1,x
        sta number+1
        lda 2,x
        sta number+2
        jsr decimal
        lda #BAR_COLUMN + 60
        sta text_column
        print panel_print, decimal_text
        print panel_print, cycles_text
        rts

; Bytes of a bar for the cycles in A, X, Y: one for 2,560, so A is not looked at.
bar_pixels:
        stx rest                        ; cycles / 256
        sty rest+1
        ldy #0
@take:  lda rest
        sec
        sbc #10
        tax
        lda rest+1
        sbc #0
        bcc @done
        sta rest+1
        stx rest
        iny
        bra @take
@done:  sty pixels
        rts

; A bar of `pixels` bytes in the colour A, 12 rows from text_row on.
draw_bar:
        sta steps
        ldx #12
@row:   jsr row_address
        lda steps
        ldy #BAR_COLUMN
:       sta (to),y
        iny
        tya
        sec
        sbc #BAR_COLUMN
        cmp pixels
        lda steps
        bcc :-
        inc text_row
        dex
        bne @row
        rts

; to = address of panel row text_row
row_address:
        lda text_row
        lsr a
        php
        clc
        adc #>PANEL
        sta to+1
        plp
        lda #0
        ror a
        sta to
        rts

; slow / fast in hundredths, on the card and on the sign.
report_ratio:
        lda slow
        sta rest
        lda slow+1
        sta rest+1
        lda slow+2
        sta rest+2
        ldx #'0'
        jsr divide
        stx ratio_text
        jsr ten_times
        ldx #'0'
        jsr divide
        stx ratio_text+2
        jsr ten_times
        ldx #'0'
        jsr divide
        stx ratio_text+3

        lda #INK * 16 + PAPER
        jsr text_colours
        text_at BAR_COLUMN, REPORT_ROW + 86
        print panel_print_large, ratio_text
        text_at BAR_COLUMN + 28, REPORT_ROW + 92
        print panel_print, times_text

        jsr sign_clear
        sign_at 4, 8
        print sign_print_large, ratio_text
        sign_at 70, 8
        print sign_print, sign_first
        sign_at 70, 17
        print sign_print, sign_second
        rts

; Subtract `fast` from `rest` while it goes; X counts up.
divide: lda rest
        sec
        sbc fast
        pha
        lda rest+1
        sbc fast+1
        pha
        lda rest+2
        sbc fast+2
        pha
        lda rest+3
        sbc #0
        bcc @done
        sta rest+3
        pla
        sta rest+2
        pla
        sta rest+1
        pla
        sta rest
        inx
        bra divide
@done:  pla
        pla
        pla
        rts

; rest = rest * 10
ten_times:
        asl rest
        rol rest+1
        rol rest+2
        rol rest+3
        lda rest
        pha
        lda rest+1
        pha
        lda rest+2
        pha
        lda rest+3
        pha
        ldy #2                          ; rest * 2 is kept; two doublings more make 8
:       asl rest
        rol rest+1
        rol rest+2
        rol rest+3
        dey
        bne :-
        tsx
        clc
        lda rest
        adc $104,x
        sta rest
        lda rest+1
        adc $103,x
        sta rest+1
        lda rest+2
        adc $102,x
        sta rest+2
        lda rest+3
        adc $101,x
        sta rest+3
        pla
        pla
        pla
        pla
        rts

        .segment "DATA"
round_text:
        .byte "0 of 4", 0
ratio_text:
        .byte "0.00", 0

        .segment "RODATA"
title:  .byte "FILL: 4 ROUNDS", 0
heading:
        .byte "CLEAR THE PANEL: 24,576 BYTES", 0
slow_text:
        .byte "BYTE BY BYTE", 0
fast_text:
        .byte "UNROLLED 8 TIMES", 0
cycles_text:
        .byte " CYCLES", 0
times_text:
        .byte "TIMES AS FAST", 0
sign_first:
        .byte "TIMES", 0
sign_second:
        .byte "AS FAST", 0

; Eight grounds, then the card's colours.
palette:
        .byte 26, 98, 105
        .byte 45, 93, 128
        .byte 70, 87, 140
        .byte 91, 82, 133
        .byte 107, 79, 121
        .byte 80, 89, 115
        .byte 56, 94, 112
        .byte 40, 99, 89
        .byte 18, 28, 40                ; 8: the card
        .byte 70, 84, 96
        .byte 70, 84, 96
        .byte 70, 84, 96
        .byte 70, 84, 96
        .byte 238, 132, 92              ; 13: byte by byte
        .byte 126, 208, 150             ; 14: unrolled
        .byte 244, 240, 226             ; 15: ink
sign_colours:
        .byte 26, 14, 6,  255, 170, 40
