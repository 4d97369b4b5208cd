; stars: a flight through 120 stars, with a band of dust behind them.
; Places, stars and the Dunlin board are made up.
;
; A star has a place (x, y, z); on the panel it stands at 128 + 192 x / z, 96 + 192 y / z. The
; division is a multiplication by a table of 12,288 / z; x and y are sign and magnitude, so a
; random byte is one. The nearer, the brighter, and the nearest are four pixels. What a star
; covers is kept and put back: all are taken off in the other order than they were drawn.

        .setcpu "65C02"
        .include "dunlin.inc"

        .export main, irq
        .import panel_palette, panel_clear
        .import sign_palette, sign_clear, sign_print, sign_print_large
        .importzp sign_x, sign_y

STARS           = 120
SPECKS          = 3600                  ; of dust
FAR             = 255
NEAR            = 49                    ; nearer ones are gone
LARGE           = 135                   ; nearer ones are 2 x 2 pixels

        .segment "ZEROPAGE"
to:     .res 2
star:   .res 1
depth:  .res 1
factor: .res 1
product:
        .res 2
across: .res 1                          ; pixels from the middle, then the pixel
pixel_row:
        .res 1
ink:    .res 1                          ; both pixels of a byte
step:   .res 1
count:  .res 2

        .segment "BSS"
star_x: .res STARS                      ; bit 7: to the left; bits 0 to 6: how far
star_y: .res STARS
star_z: .res STARS
star_hue:
        .res STARS                      ; 4, 8 or 12: the first of four colours
drawn_low:
        .res STARS                      ; panel address; high byte 0 if it is not drawn
drawn_high:
        .res STARS
kept_upper:
        .res STARS
kept_lower:
        .res STARS

        .segment "CODE"

main:   print panel_palette, palette
        print sign_palette, sign_colours
        lda #0
        sta PANEL_REGISTERS + BORDER
        jsr panel_clear
        jsr sign_clear
        jsr strew_dust
        sign_at 2, 8
        print sign_print_large, name
        sign_at 70, 8
        print sign_print, first_line
        sign_at 70, 17
        print sign_print, second_line

        ldx #STARS-1
:       jsr new_star
@depth: lda RANDOM                      ; but all over the depth
        cmp #NEAR
        bcc @depth
        sta star_z,x
        dex
        bpl :-

        lda #1
        sta step
        sta REFRESH_ACK
@picture:
        wait_refresh
        jsr take_off
        lda step                        ; one step and two in turn
        eor #1 ^ 2
        sta step
        jsr draw_all
        bra @picture

irq:    rti

; ---- dust ----

; Specks about a line from the upper left to the lower right: the sum of three random
; numbers puts most of them near to it.
strew_dust:
        lda #<SPECKS
        sta count
        lda #>SPECKS
        sta count+1
@speck: lda RANDOM
        lsr a
        tay                             ; byte column
        lda RANDOM
        and #1
        tax
        lda spreads,x                   ; one half in a narrow band, one in a wide one
        sta depth
        lda middles,x
        sta pixel_row
        ldx #3
:       lda RANDOM
        and depth
        clc
        adc pixel_row
        sta pixel_row
        dex
        bne :-
        tya
        lsr a
        clc
        adc pixel_row
        sec
        sbc #32                         ; the line goes from row 64 to row 127
        bcc @next                       ; above the panel
        cmp #PANEL_ROWS
        bcs @next                       ; below it
        jsr row_address
        lda RANDOM
        and #15
        tax
        lda dust,x
        ora (to),y
        sta (to),y
@next:  lda count
        bne :+
        dec count+1
:       dec count
        lda count
        ora count+1
        bne @speck
        rts

; to = address of panel row A; X and Y stay.
row_address:
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

; ---- stars ----

; Give star X a new place, far away.
new_star:
        lda RANDOM
        sta star_x,x
        and #%01111000
        sta across
        lda RANDOM
        sta star_y,x
        and #%01111000
        ora across
        beq new_star                    ; too near to the middle: it would hardly move
        lda #FAR
        sta star_z,x
        lda RANDOM
        and #7
        tay
        lda hues,y
        sta star_hue,x
        stz drawn_high,x
        rts

take_off:
        ldx #STARS-1
@star:  lda drawn_high,x
        beq @next
        sta to+1
        lda drawn_low,x
        sta to
        lda kept_upper,x
        sta (to)
        ldy #PANEL_STRIDE
        lda kept_lower,x
        sta (to),y
@next:  dex
        bpl @star
        rts

draw_all:
        stz star
@star:  ldx star
        lda star_z,x
        sec
        sbc step
        cmp #NEAR
        bcc @away
        sta star_z,x
        sta depth
        tay
        lda factors - NEAR,y
        sta factor

        lda star_x,x
        jsr scale
        bcc :+
@away:  jmp @gone
:       ldy star_x,x
        bpl :+
        eor #$FF
        inc a
:       clc
        adc #128
        sta across

        lda star_y,x
        jsr scale
        bcs @gone
        cmp #95
        bcs @gone
        ldy star_y,x
        bpl :+
        eor #$FF
        inc a
:       clc
        adc #96
        jsr row_address
        lda across
        lsr a
        ora to
        sta to
        sta drawn_low,x
        lda to+1
        sta drawn_high,x

        lda (to)
        sta kept_upper,x
        ldy #PANEL_STRIDE
        lda (to),y
        sta kept_lower,x

        lda star_hue,x
        ldy depth
        cpy #226
        bcs @bright
        inc a
        cpy #190
        bcs @bright
        inc a
        cpy #150
        bcs @bright
        inc a
@bright:
        tay
        lda both,y
        ldy depth
        cpy #LARGE
        bcs @small
        sta (to)
        ldy #PANEL_STRIDE
        sta (to),y
        bra @next
@small: sta ink
        lda across                      ; even pixels are in the high nibble
        lsr a
        lda (to)
        bcs @right
        eor ink
        and #$0F
        eor ink
        bra @put
@right: eor ink
        and #$F0
        eor ink
@put:   sta (to)
        bra @next

@gone:  jsr new_star
@next:  inc star
        lda star
        cmp #STARS
        beq :+
        jmp @star
:       rts

; The magnitude of A times `factor`, over 64; the carry is set if that is 128 or more.
scale:  and #$7F
        sta product
        lda #0
        ldy #8
        lsr product
@bit:   bcc :+
        clc
        adc factor
:       ror a
        ror product
        dey
        bne @bit
        cmp #32
        bcs @done
        asl product
        rol a
        asl product
        rol a
        clc
@done:  rts

        .segment "RODATA"
name:   .byte "STARS", 0
first_line:
        .byte "120 MADE", 0
second_line:
        .byte "UP ONES", 0

; 12,288 / z
factors:
        .repeat FAR - NEAR + 1, nearest
        .byte 12288 / (NEAR + nearest)
        .endrepeat

; Three random numbers of so many bits, and what makes their mean 96.
spreads:
        .byte 15, 63
middles:
        .byte 96 - 22, 96 - 94

hues:   .byte 4, 4, 4, 8, 12, 4, 8, 12
both:   .byte $00, $11, $22, $33, $44, $55, $66, $77, $88, $99, $AA, $BB, $CC, $DD, $EE, $FF
dust:   .byte $10, $01, $10, $01, $11, $11, $20, $02, $11, $01, $10, $21, $12, $20, $02, $22

palette:
        .byte   8,  10,  24
        .byte  40,  36,  78             ; dust
        .byte  84,  62, 118
        .byte 150, 112, 146
        .byte  64,  72, 100             ; white stars
        .byte 116, 126, 152
        .byte 180, 190, 208
        .byte 255, 255, 255
        .byte  92,  68,  56             ; warm ones
        .byte 150, 110,  80
        .byte 214, 162, 108
        .byte 255, 214, 150
        .byte  46,  76, 116             ; cool ones
        .byte  76, 124, 176
        .byte 120, 176, 226
        .byte 184, 228, 255
sign_colours:
        .byte  10,  12,  28
        .byte 200, 214, 255
