; Turn a number into text. Made for the made-up Dunlin board.

        .setcpu "65C02"

        .export decimal, decimal_text
        .exportzp number

        .segment "ZEROPAGE"
number: .res 3                          ; 24 bits, low byte first; used up
digit:  .res 1
seen:   .res 1                          ; bit 7: a digit other than 0 came before

        .segment "BSS"
decimal_text:
        .res 11                         ; "16,777,215" and the zero byte

        .segment "CODE"

; Write `number` to `decimal_text` with a comma before each three digits, right
; aligned to ten characters.
decimal:
        stz seen
        ldx #0                          ; which power of ten
        ldy #0                          ; where in the text
@power: stz digit
@take:  lda number
        sec
        sbc powers_low,x
        pha
        lda number+1
        sbc powers_middle,x
        pha
        lda number+2
        sbc powers_high,x
        bcc @less
        sta number+2
        pla
        sta number+1
        pla
        sta number
        inc digit
        bra @take
@less:  pla
        pla
        lda digit
        bne @write
        cpx #7                          ; the last digit is written even if it is 0
        beq @write
        bit seen
        bmi @write
        lda #' '
        bra @put
@write: ora #'0'
        pha
        lda #$80
        sta seen
        pla
@put:   sta decimal_text,y
        iny
        cpx #1
        beq @comma
        cpx #4
        bne @next
@comma: lda #' '
        bit seen
        bpl :+
        lda #','
:       sta decimal_text,y
        iny
@next:  inx
        cpx #8
        bne @power
        lda #0
        sta decimal_text,y
        rts

        .segment "RODATA"
        .define POWERS 10000000, 1000000, 100000, 10000, 1000, 100, 10, 1
powers_low:
        .lobytes POWERS
powers_middle:
        .hibytes POWERS
powers_high:
        .bankbytes POWERS
