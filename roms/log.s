; log: the log of a made-up harbour, over the serial console. Bytes come in by interrupt; what is
; typed is echoed, and each line is counted and shown on the tide sign. Escape ends the program.

        .setcpu "65C02"
        .include "dunlin.inc"
        .include "ports.inc"

        .export main, irq
        .import panel_palette, panel_clear, panel_print, panel_print_large, text_colours
        .import sign_palette, sign_clear, sign_print, sign_print_large
        .import decimal, decimal_text
        .importzp text_column, text_row, sign_x, sign_y, number

INK             = 3
PAPER           = 8
LETTERS_MOST    = 20                    ; that the sign shows

        .segment "ZEROPAGE"
from:   .res 2
first:  .res 1                          ; of the bytes that wait
stop:   .res 1
count:  .res 1                          ; lines so far
length: .res 1

        .segment "BSS"
waiting:
        .res 256
line:   .res LETTERS_MOST + 1

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
        text_at 20, 72
        print panel_print_large, title
        text_at 20, 100
        print panel_print, subtitle
        lda #LOG_LAMP
        sta DIRECTION_B
        lda #BAUD_19200_8N1
        sta SERIAL_CONTROL
        lda #ON_RECEIVING
        sta SERIAL_COMMAND
        cli
        print send_text, greeting

next:   lda first
        cmp stop
        beq next                        ; nothing has come in
        tax
        inc first
        lda waiting,x
        cmp #KEY_ESCAPE
        beq @end
        cmp #KEY_RETURN
        beq @line
        cmp #' '
        bcc next
        jsr send
        ldx length
        cpx #LETTERS_MOST
        bcs next
        sta line,x
        inc length
        bra next
@line:  jsr note_line
        bra next
@end:   print send_text, farewell
        lda #0
        rts                             ; start.s makes it EXIT 0

; Count a line, answer, and show it on the sign.
note_line:
        ldx length
        stz line,x
        inc count
        lda PORT_B
        eor #LOG_LAMP
        sta PORT_B
        jsr sign_clear
        sign_at 2, 4
        print sign_print, line
        lda count
        sta number
        stz number+1
        stz number+2
        jsr decimal
        sign_at 2, 20
        print sign_print, decimal_text + 7
        print send_text, noted
        print send_text, decimal_text + 7
        print send_text, prompt
        stz length
        rts

; Send the text at A, X.
send_text:
        sta from
        stx from+1
        ldy #0
@next:  lda (from),y
        beq @end
        jsr send
        iny
        bra @next
@end:   rts

; Send the byte in A.
send:   phx
        pha
:       sei
        jsr look
        cli
        and #SEND_EMPTY
        beq :-
        pla
        plx
        sta SERIAL_DATA
        rts

irq:    pha
        phx
        jsr look
        plx
        pla
        rti

; Return the status in A. Reading it acknowledges every interrupt, so a byte that has come
; in is taken here, whoever asks; with interrupts off.
look:   lda SERIAL_STATUS
        bit #RECEIVED
        beq @end
        pha
        lda SERIAL_DATA
        ldx stop
        sta waiting,x
        inc stop
        pla
@end:   rts

        .segment "RODATA"
title:  .byte "Harbour log", 0
subtitle:
        .byte "type a line; Escape ends", 0
greeting:
        .byte "Harbour log, 19,200 Bd", 13, 10
prompt: .byte 13, 10, "> ", 0
noted:  .byte 13, 10, "noted, line", 0
farewell:
        .byte 13, 10, "The log is closed.", 13, 10, 0
sign_colours:
        .byte 16, 24, 32, 255, 176, 32
colours:
        .byte 0, 0, 0, 192, 192, 192, 128, 128, 128, 250, 250, 240
        .byte 128, 0, 0, 255, 0, 0, 128, 0, 128, 255, 0, 255
        .byte 12, 52, 44, 0, 255, 0, 128, 128, 0, 255, 255, 0
        .byte 0, 0, 128, 0, 0, 255, 0, 128, 128, 0, 255, 255
