; clock: the clock of a made-up lookout. Timer 1 of the 6522 interrupts 1,000 times a second;
; the tide sign shows the time since power-on, and the lamp on PB0 blinks with its seconds.

        .setcpu "65C02"
        .include "dunlin.inc"
        .include "ports.inc"

        .export main, irq
        .import panel_palette, panel_clear, panel_print, panel_print_large, text_colours
        .import sign_palette, sign_clear, sign_print, sign_print_large
        .importzp text_column, text_row, sign_x, sign_y

MILLISECOND     = CLOCK_HZ / 1000
HALF_SECOND     = 500
INK             = 3
PAPER           = 12

        .segment "ZEROPAGE"
elapsed:
        .res 2                          ; milliseconds that are not counted yet
half:   .res 1                          ; bit 0: the second half of a second
seconds:
        .res 1                          ; two digits each, in binary-coded decimal
minutes:
        .res 1
hours:  .res 1

        .segment "BSS"
text:   .res 9

        .segment "CODE"

main:   print sign_palette, sign_colours
        jsr sign_clear
        print panel_palette, colours
        lda #PAPER * $11
        jsr panel_clear
        lda #PAPER
        sta PANEL_REGISTERS + BORDER
        lda #INK << 4 | PAPER
        jsr text_colours
        text_at 28, 72
        print panel_print_large, title
        text_at 28, 100
        print panel_print, subtitle
        jsr show_time

        lda #LAMP
        sta DIRECTION_B
        lda #TIMER1_RUNS_ON
        sta AUXILIARY
        lda #TIMER1_ENABLED
        sta INTERRUPT_ENABLE
        lda #<(MILLISECOND - 2)         ; it times out every N + 2 cycles
        sta TIMER1_LOW
        lda #>(MILLISECOND - 2)
        sta TIMER1_HIGH
        cli

wait:   sei
        lda elapsed
        cmp #<HALF_SECOND
        lda elapsed+1
        sbc #>HALF_SECOND
        bcc @not_yet
        lda elapsed
        sbc #<HALF_SECOND
        sta elapsed
        lda elapsed+1
        sbc #>HALF_SECOND
        sta elapsed+1
        cli
        jsr count_half
        bra wait
@not_yet:
        cli
        bra wait

; The lamp changes each half second; the time each second one.
count_half:
        lda PORT_B
        eor #LAMP
        sta PORT_B
        lda half
        eor #1
        sta half
        bne @end
        sed
        ldx #0
@next:  lda seconds,x
        clc
        adc #1
        cmp limits,x
        bne @store
        stz seconds,x
        inx
        cpx #3
        bne @next
        bra @shown
@store: sta seconds,x
@shown: cld
        jsr show_time
@end:   rts

show_time:
        ldx #2
        ldy #0
@pair:  lda seconds,x
        lsr a
        lsr a
        lsr a
        lsr a
        jsr @digit
        lda seconds,x
        and #$0F
        jsr @digit
        lda #':'
        sta text,y
        iny
        dex
        bpl @pair
        lda #0
        sta text-1,y                    ; in place of the last colon
        sign_at 16, 8
        print sign_print_large, text
        rts
@digit: ora #'0'
        sta text,y
        iny
        rts

irq:    pha
        lda TIMER1_LOW                  ; acknowledges
        inc elapsed
        bne :+
        inc elapsed+1
:       pla
        rti

        .segment "RODATA"
limits: .byte $60, $60, $24
title:  .byte "Lookout", 0
subtitle:
        .byte "time since power-on", 0
sign_colours:
        .byte 16, 24, 32, 255, 176, 32
colours:
        .byte 0, 0, 0, 192, 192, 192, 128, 128, 128, 250, 250, 240
        .byte 128, 0, 0, 255, 0, 0, 128, 0, 128, 255, 0, 255
        .byte 0, 128, 0, 0, 255, 0, 128, 128, 0, 255, 255, 0
        .byte 16, 28, 64, 0, 0, 255, 0, 128, 128, 0, 255, 255
