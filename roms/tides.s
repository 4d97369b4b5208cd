; tides: the shipped demo. A small harbour in the evening: the sea rises and falls, dunlins
; fly past, and the tide sign tells the level. Place, museum and figures are made up.
;
; How it is drawn. The sky and what stands against it are painted once, straight on the
; panel. Everything that the tide can reach (rows 112 to 191) is painted dry into a buffer in
; RAM; the panel gets it with the water laid over it: above the edge as it is, at the edge
; foam, below it each byte looked up in one of three tables that tint it as shallow, middling
; or deep water would. From then on the edge of each column moves by one row at a time, and
; then only four bytes of the column change. So the sea costs some hundred stores a picture
; and not ten thousand.
;
; Boat and birds keep what they cover and put it back. The refresh interrupt paces it all.

        .setcpu "65C02"
        .include "dunlin.inc"

        .export main, irq
        .import panel_palette, sine, font
        .import sign_palette, sign_clear, sign_print
        .importzp sign_x, sign_y

; ---- colours ----
SKY     = 1                             ; 1 to 6, from the top to the horizon
GLOW    = 6
SHALLOW = 7
MIDDLE  = 8
DEEP    = 9
WHITE   = 10
SAND    = 11
WET     = 12
WOOD    = 13
DARK    = 14
RED     = 15

; ---- the scene, in rows ----
FAR_SEA         = 100                   ; the horizon
FLAT            = 114                   ; where the sand begins
DRY_ROW         = 112                   ; first row of the dry buffer
DRY_ROWS        = PANEL_ROWS - DRY_ROW
TIDE_LOW        = 162                   ; the still edge at low water; at most 46 rows higher
SHALLOW_ROWS    = 8                     ; how far down each tint reaches
MIDDLE_ROWS     = 24
DRY_OFFSET      = PANEL + DRY_ROW * PANEL_STRIDE - dry_buffer

BIRDS           = 7                     ; that fly
WADERS          = 3                     ; that stand
ALL_BIRDS       = BIRDS + WADERS
BIRD_WIDTH      = 7                     ; bytes, with one for the odd pixel
BIRD_ROWS       = 7
BIRD_BYTES      = BIRD_WIDTH * BIRD_ROWS
POSES           = 5                     ; wings up, level, down; stand, peck
BOAT_WIDTH      = 9
BOAT_ROWS       = 22

TICKER_ROW      = 24                    ; on the sign

SUN_X           = 76
SUN_Y           = 88

        .segment "ZEROPAGE"
to:     .res 2                          ; panel address
dry:    .res 2                          ; the same place in the dry buffer
source: .res 2                          ; sprite or string
kept:   .res 2                          ; what a sprite covers
row:    .res 1
column: .res 1
count:  .res 1
width:  .res 1
height: .res 1
colour: .res 1
left:   .res 1
right:  .res 1
first:  .res 1                          ; byte columns of a span
last:   .res 1
pictures:
        .res 1                          ; counted by the interrupt
clock:  .res 2                          ; pictures drawn
tide:   .res 2                          ; high byte: where in the sine
level:  .res 1                          ; 0 at low water, 255 at high water
edge:   .res 1                          ; row of the still edge
swell_1:
        .res 1
swell_2:
        .res 1
bird:   .res 1
pose:   .res 1
message:
        .res 2
message_bit:
        .res 1
letter: .res 2
shown:  .res 2                          ; hundredths of a metre
shown_digits:
        .res 3

        .segment "BSS"
edges:  .res 128                        ; row of the water's edge in each byte column
bird_low:
        .res ALL_BIRDS                  ; pixels to the right, 16 on is the panel's left end
bird_high:
        .res ALL_BIRDS
bird_row:
        .res ALL_BIRDS                  ; where drawn
bird_column:
        .res ALL_BIRDS
boat_column:
        .res 1
boat_row:
        .res 1
boat_kept:
        .res BOAT_WIDTH * BOAT_ROWS
birds_kept:
        .res ALL_BIRDS * BIRD_BYTES
birds_left:
        .res POSES * BIRD_BYTES         ; at even pixels
birds_right:
        .res POSES * BIRD_BYTES         ; and one pixel to the right

        .segment "BUFFER"
dry_buffer:
        .res DRY_ROWS * PANEL_STRIDE
swell:  .res 256                        ; one turn of a low wave, in rows

        .segment "CODE"

main:   print panel_palette, palette
        print sign_palette, sign_colours
        lda #SKY
        sta PANEL_REGISTERS + BORDER
        jsr sign_clear
        jsr start_tide
        jsr start_sign
        jsr paint_sky
        print draw_shapes, far_shapes
        jsr paint_sand
        print draw_shapes, near_shapes
        jsr lay_water
        jsr make_swell
        jsr start_birds
        jsr place_boat
        jsr draw_boat
        jsr draw_birds

        lda #1
        sta REFRESH_ACK
        sta REFRESH                     ; interrupt on
        cli
main_loop:
        lda pictures
:       cmp pictures
        beq :-

        inc clock
        bne :+
        inc clock+1
:       jsr restore_birds
        jsr restore_boat
        jsr move_tide
        jsr move_water
        jsr glitter
        jsr place_boat
        jsr draw_boat
        jsr move_birds
        jsr draw_birds
        lda clock
        lsr a
        bcs :+
        jsr ticker
:       lda clock
        and #15
        bne :+
        jsr show_level
:       bra main_loop

irq:    sta REFRESH_ACK
        inc pictures
        rti

; ---- places ----

; to, dry = address of panel row A, and of the same row in the buffer (from row 112 on).
row_address:
        lsr a
        tax
        lda #0
        ror a
        sta to
        sta dry
        txa
        clc
        adc #>PANEL
        sta to+1
        sec
        sbc #>DRY_OFFSET
        sta dry+1
        rts

; ---- painting ----

; Sky and far sea: each row is one pattern of four pixels, from a table.
paint_sky:
        stz row
@row:   lda row
        jsr row_address
        lda row
        asl a
        tax
        lda sky,x
        jsr every_other
        lda row
        asl a
        tax
        inc to
        lda sky+1,x
        jsr every_other
        inc row
        lda row
        cmp #FLAT
        bne @row
        rts

; Store A to each second byte of a row.
every_other:
        ldy #0
:       .repeat 8
        sta (to),y
        iny
        iny
        .endrepeat
        bpl :-
        rts

; Plain sand in the buffer, with dark grains strewn over it; its first two rows are sea.
paint_sand:
        lda #SAND * $11
        ldx #0
:       .repeat DRY_ROWS / 2, page
        sta dry_buffer + page * 256,x
        .endrepeat
        inx
        bne :-

        lda #220                        ; this many grains in each of five strips of 16 rows
        sta count
@grains:
        .repeat DRY_ROWS / 16, strip
        lda RANDOM
        sta dry
        lda RANDOM
        and #7
        ora #>dry_buffer + strip * 8
        sta dry+1
        lda RANDOM
        and #3
        tay
        lda grains,y
        sta (dry)
        .endrepeat
        dec count
        beq :+
        jmp @grains
:       ldx #0
:       lda PANEL + DRY_ROW * PANEL_STRIDE,x
        sta dry_buffer,x
        inx
        bne :-
        rts

; Draw filled shapes from a list at A, X: left, top, width, rows, colour, and what is added
; to left and width from row to row; a width of 0 ends the list.
draw_shapes:
        sta source
        stx source+1
@shape: ldy #2
        lda (source),y
        bne :+
        rts
:       sta width
        lda (source)
        sta left
        ldy #1
        lda (source),y
        sta row
        ldy #3
        lda (source),y
        sta height
        iny
        lda (source),y
        sta colour
@row:   jsr span
        ldy #5
        lda left
        clc
        adc (source),y
        sta left
        iny
        lda width
        clc
        adc (source),y
        sta width
        inc row
        dec height
        bne @row
        lda source
        clc
        adc #7
        sta source
        bcc @shape
        inc source+1
        bra @shape

; One row of a shape: `width` pixels from `left`, in `row`, in `colour` (both nibbles); on the
; panel above row 112, in the buffer from there on.
span:   lda row
        jsr row_address
        lda row
        cmp #DRY_ROW
        bcc :+
        lda dry+1
        sta to+1
:       lda left
        lsr a
        sta first
        bcc :+
        tay                             ; begins with a right pixel
        lda (to),y
        eor colour
        and #$F0
        eor colour
        sta (to),y
        inc first
:       lda left
        clc
        adc width
        ror a                           ; with the carry: the end may be pixel 256
        sta last
        bcc :+
        tay                             ; ends with a left pixel
        lda (to),y
        eor colour
        and #$0F
        eor colour
        sta (to),y
:       lda colour
        ldy first
:       cpy last
        bcs :+
        sta (to),y
        iny
        bra :-
:       rts

; ---- the sea ----

; Half the sine over 64, so that two of them make a swell of four rows.
make_swell:
        ldx #0
:       lda sine,x
        clc
        adc #$80                        ; 1 to 255
        lsr a
        lsr a
        lsr a
        lsr a
        lsr a
        lsr a                           ; 0 to 3
        sta swell,x
        inx
        bne :-
        rts

start_tide:
        lda #218                        ; rather low, and rising
        sta tide+1
        stz tide
        jsr still_edge
        ldx #127
:       sta edges,x
        dex
        bpl :-
        rts

; The tide goes round in 1,024 pictures, some 17 seconds at 60 a second.
move_tide:
        lda tide
        clc
        adc #64
        sta tide
        bcc still_edge
        inc tide+1

; edge = TIDE_LOW - level * 3 / 16, which is in A at the end
still_edge:
        ldx tide+1
        lda sine,x
        clc
        adc #128
        sta level
        lsr a
        lsr a
        lsr a
        sta edge
        lsr a
        clc
        adc edge
        eor #$FF
        sec
        adc #TIDE_LOW
        sta edge
        rts

; One row of the panel: the dry one, looked up in a table.
        .macro tint_row table
        ldy #0
:       lda (dry),y
        tax
        lda table,x
        sta (to),y
        iny
        bpl :-
        .endmacro

; Put the panel's rows 112 to 191 together from the dry buffer and the water.
lay_water:
        lda #DRY_ROW
        sta row
@row:   lda row
        jsr row_address
        lda row
        sec
        sbc edge
        bcc @dry
        beq @foam
        cmp #SHALLOW_ROWS + 1
        bcc @shallow
        cmp #MIDDLE_ROWS + 1
        bcc @middle
        tint_row tint_deep
        bra @next
@shallow:
        tint_row tint_shallow
        bra @next
@middle:
        tint_row tint_middle
        bra @next
@dry:   ldy #0
:       lda (dry),y
        sta (to),y
        iny
        bpl :-
        bra @next
@foam:  ldy #0
:       tya
        and #3
        tax
        lda foam,x
        sta (to),y
        iny
        bpl :-
@next:  inc row
        lda row
        cmp #PANEL_ROWS
        bne @row
        rts

; One byte of the dry scene, looked up in a table.
        .macro put table
        lda (dry),y
        tax
        lda table,x
        sta (to),y
        .endmacro

; An even number of rows further down: two rows are one page.
        .macro rows_down number
        lda to+1
        clc
        adc #(number) / 2
        sta to+1
        sbc #>DRY_OFFSET - 1            ; the carry is clear: one more is taken
        sta dry+1
        .endmacro

; Move the edge of each column one row towards where tide and swell want it.
move_water:
        lda clock
        sta swell_1                     ; one swell to the left,
        eor #$FF
        asl a
        sta swell_2                     ; a shorter one to the right
        ldx #127
@column:
        lda swell_1
        clc
        adc #3
        sta swell_1
        tay
        lda swell,y
        pha
        lda swell_2
        clc
        adc #7
        sta swell_2
        tay
        pla
        clc
        adc swell,y
        clc
        adc edge
        sec
        sbc #3
        cmp edges,x
        bne @move
        dex
        bpl @column
        rts
@move:  stx column
        ldy column
        bcs @fall

        dec edges,x                     ; it rises
        lda edges,x
        jsr row_address
        jsr put_foam
        lda edges,y
        inc a
        jsr row_address
        put tint_shallow
        rows_down SHALLOW_ROWS
        put tint_middle
        rows_down MIDDLE_ROWS - SHALLOW_ROWS
        put tint_deep
        ldx column
        dex
        bpl @column
        rts

@fall:  lda edges,x
        inc edges,x
        jsr row_address
        lda (dry),y
        sta (to),y
        lda edges,y
        jsr row_address
        jsr put_foam
        rows_down SHALLOW_ROWS
        put tint_shallow
        rows_down MIDDLE_ROWS - SHALLOW_ROWS
        put tint_middle
        ldx column
        dex
        bmi :+
        jmp @column
:       rts

put_foam:
        tya
        and #3
        tax
        lda foam,x
        sta (to),y
        rts

; Light on the far sea: one spot a picture, most of them under the sun.
glitter:
        lda RANDOM
        and #15
        cmp #DRY_ROW - FAR_SEA - 1
        bcs @done
        adc #FAR_SEA + 1
        jsr row_address
        lda RANDOM
        and #15
        sta column
        lda RANDOM
        and #15
        clc
        adc column
        adc #SUN_X / 2 - 15
        tay
        lda (to),y                      ; only where there is water, or light already
        cmp #GLOW * 16
        bcc @done
        cmp #DEEP * 16
        bcs @done
        lda RANDOM
        and #3
        tax
        lda glints,x
        sta (to),y
@done:  rts

; ---- sprites: two pixels a byte, colour 0 lets the ground through ----

; Keep the ground under a sprite and draw it: source, kept, column, row, width, height.
; Columns beyond the panel's edges (128 to 255, which is -128 to -1) are left out.
draw_sprite:
        jsr clip
        bcs @done
@row:   ldy first
@byte:  lda (source),y
        tax
        lda (to),y
        sta (kept),y
        and through,x
        ora (source),y
        sta (to),y
        iny
        cpy last
        bne @byte
        jsr next_row
        dec height
        bne @row
@done:  rts

; Put the ground back: kept, column, row, width, height.
restore_sprite:
        jsr clip
        bcs @done
@row:   ldy first
@byte:  lda (kept),y
        sta (to),y
        iny
        cpy last
        bne @byte
        jsr next_row
        dec height
        bne @row
@done:  rts

; Find a sprite's place and which of its bytes can be seen, from `first` up to but not
; including `last`; the carry is set if there are none.
clip:   lda row
        jsr row_address
        lda column
        bmi @left
        clc
        adc to
        sta to
        stz first
        lda #128
        sec
        sbc column
        cmp width
        bcc :+
        lda width
:       sta last
        clc
        rts
@left:  eor #$FF
        inc a
        sta first                       ; how far it hangs out
        lda to
        sec
        sbc first
        sta to
        bcs :+
        dec to+1
:       lda width
        sta last
        lda first
        cmp last
        rts

; To the next row of a sprite; `source` and `kept` hold its rows one after the other.
next_row:
        lda to
        clc
        adc #PANEL_STRIDE
        sta to
        bcc :+
        inc to+1
:       lda source
        clc
        adc width
        sta source
        bcc :+
        inc source+1
:       lda kept
        clc
        adc width
        sta kept
        bcc :+
        inc kept+1
:       rts

; ---- the boat: it drifts to and fro and rides on the water's edge ----

place_boat:
        lda clock+1
        lsr a
        lda clock
        ror a
        lsr a
        tax
        lda sine,x
        clc
        adc #128
        lsr a
        lsr a
        lsr a
        lsr a
        clc
        adc #46
        sta boat_column
        clc
        adc #4
        tax
        lda edges,x
        sec
        sbc #BOAT_ROWS - 4
        sta boat_row
        rts

draw_boat:
        jsr this_boat
        jmp draw_sprite
restore_boat:
        jsr this_boat
        jmp restore_sprite

this_boat:
        lda #<boat
        sta source
        lda #>boat
        sta source+1
        lda #<boat_kept
        sta kept
        lda #>boat_kept
        sta kept+1
        lda boat_column
        sta column
        lda boat_row
        sta row
        lda #BOAT_WIDTH
        sta width
        lda #BOAT_ROWS
        sta height
        rts

; ---- the birds ----

; Copy the five poses to RAM, at even pixels and shifted by one pixel.
start_birds:
        ldx #0
        ldy #0
@row:   lda #6
        sta count
        stz colour                      ; the pixel that is carried to the right
@byte:  lda bird_art,x
        sta birds_left,y
        pha
        lsr a
        lsr a
        lsr a
        lsr a
        ora colour
        sta birds_right,y
        pla
        asl a
        asl a
        asl a
        asl a
        sta colour
        inx
        iny
        dec count
        bne @byte
        lda #0
        sta birds_left,y
        lda colour
        sta birds_right,y
        iny
        cpx #POSES * 6 * BIRD_ROWS
        bne @row

        ldx #ALL_BIRDS-1
:       lda start_low,x
        sta bird_low,x
        stz bird_high,x
        dex
        bpl :-
        jmp place_birds

; Birds that fly go one pixel to the right a picture.
move_birds:
        ldx #BIRDS-1
@bird:  inc bird_low,x
        bne @next
        lda bird_high,x
        eor #1
        sta bird_high,x
@next:  lda bird_high,x
        beq :+
        lda bird_low,x
        cmp #<(256 + 32)
        bcc :+
        stz bird_low,x
        stz bird_high,x
:       dex
        bpl @bird

place_birds:
        ldx #ALL_BIRDS-1
@bird:  lda bird_high,x
        lsr a
        lda bird_low,x
        ror a
        sec
        sbc #8
        sta bird_column,x
        lda start_row,x
        cpx #BIRDS
        bcs @put                        ; these stand
        sta row
        txa
        asl a
        asl a
        asl a
        adc bird_low,x
        tay
        lda sine,y                      ; up and down as it flies
        cmp #$80
        ror a
        cmp #$80
        ror a
        cmp #$80
        ror a
        cmp #$80
        ror a
        clc
        adc row
@put:   sta bird_row,x
        dex
        bpl @bird
        rts

draw_birds:
        stz bird
@bird:  jsr this_bird
        ldx bird
        jsr choose_pose                 ; pose in A
        asl a
        tay
        lda bird_low,x
        lsr a
        lda left_poses,y
        ldx left_poses+1,y
        bcc :+
        lda right_poses,y
        ldx right_poses+1,y
:       sta source
        stx source+1
        jsr draw_sprite
        inc bird
        lda bird
        cmp #ALL_BIRDS
        bne @bird
        rts

; In the other order, so that birds over birds come right.
restore_birds:
        lda #ALL_BIRDS-1
        sta bird
@bird:  jsr this_bird
        jsr restore_sprite
        dec bird
        bpl @bird
        rts

this_bird:
        ldx bird
        lda bird_column,x
        sta column
        lda bird_row,x
        sta row
        lda kept_low,x
        sta kept
        lda kept_high,x
        sta kept+1
        lda #BIRD_WIDTH
        sta width
        lda #BIRD_ROWS
        sta height
        rts

; Wings beat every 16 pictures; waders peck now and then.
choose_pose:
        txa
        asl a
        asl a
        asl a
        asl a
        asl a
        cpx #BIRDS
        bcs @stands
        lsr a
        adc clock
        lsr a
        lsr a
        and #3
        tay
        lda wing_poses,y
        rts
@stands:
        adc clock
        and #$E0
        beq :+
        cmp #$80
        beq :+
        lda #3
        rts
:       lda #4
        rts

; ---- the tide sign ----

start_sign:
        lda #<news
        sta message
        lda #>news
        sta message+1
        lda #$80
        sta message_bit
        lda #$FF
        sta shown_digits
        sta shown_digits+1
        sta shown_digits+2
        sign_at 60, 15
        print sign_print, metre_text
        sign_at 74, 3
        print sign_print, tide_text
        lda #%11100000                  ; the decimal point
        sta SIGN + 19 * SIGN_STRIDE + 2
        sta SIGN + 20 * SIGN_STRIDE + 2
        sta SIGN + 21 * SIGN_STRIDE + 2

; Level in metres, 0.60 to 5.70, and where it goes.
show_level:
        lda level
        stz shown+1
        asl a
        rol shown+1
        adc #60                         ; the carry is clear: rol took it
        sta shown
        bcc :+
        inc shown+1
:       ldx #0
@hundred:
        lda shown
        sec
        sbc #100
        tay
        lda shown+1
        sbc #0
        bcc @tens
        sta shown+1
        sty shown
        inx
        bra @hundred
@tens:  txa
        ldx #0
        ldy #0
        jsr put_digit
        lda shown
        ldx #0
@ten:   cmp #10
        bcc @ones
        sbc #10
        inx
        bra @ten
@ones:  pha
        txa
        ldx #1
        ldy #3
        jsr put_digit
        pla
        ldx #2
        ldy #5
        jsr put_digit

        sign_at 74, 13
        lda tide+1
        clc
        adc #64
        bmi @falls                      ; the sine's second and third quarter
        print sign_print, rising_text
        rts
@falls: print sign_print, falling_text
        rts

; Put the large digit A in place X (0 to 2), at byte column Y, if it is another than before.
put_digit:
        cmp shown_digits,x
        beq @done
        sta shown_digits,x
        tax
        lda digit_low,x
        sta source
        lda digit_high,x
        sta source+1
        sty to
        lda #>SIGN
        sta to+1
        ldx #22
@row:   lda (source)
        sta (to)
        ldy #1
        lda (source),y
        sta (to),y
        lda source
        clc
        adc #2
        sta source
        bcc :+
        inc source+1
:       lda to
        clc
        adc #SIGN_STRIDE
        sta to
        bcc :+
        inc to+1
:       dex
        bne @row
@done:  rts

; Move the sign's lowest eight rows one pixel to the left; the news comes in on the right.
ticker: lda (message)
        bne :+
        lda #<news
        sta message
        lda #>news
        sta message+1
        lda (message)
:       sec
        sbc #32
        stz letter+1
        asl a
        rol letter+1
        asl a
        rol letter+1
        asl a
        rol letter+1
        clc
        adc #<font
        sta letter
        lda letter+1
        adc #>font
        sta letter+1

        ldy #7
        ldx #7 * SIGN_STRIDE
@row:   lda (letter),y
        and message_bit
        cmp #1                          ; carry: the pixel that comes in
        .repeat SIGN_STRIDE, byte
        rol SIGN + TICKER_ROW * SIGN_STRIDE + SIGN_STRIDE - 1 - byte,x
        .endrepeat
        txa
        sec
        sbc #SIGN_STRIDE
        tax
        dey
        bpl @row

        lsr message_bit
        lda message_bit
        cmp #2                          ; five columns and an empty one
        bne :+
        lda #$80
        sta message_bit
        inc message
        bne :+
        inc message+1
:       rts

; ---- tables ----
        .segment "RODATA"

palette:
        .byte  16,  20,  44
        .byte  52,  78, 140             ; sky
        .byte  96, 122, 180
        .byte 150, 160, 204
        .byte 208, 182, 200
        .byte 244, 194, 166
        .byte 255, 226, 170
        .byte  98, 170, 178             ; water
        .byte  52, 128, 150
        .byte  30,  88, 120
        .byte 255, 253, 242             ; white
        .byte 222, 190, 138             ; sand
        .byte 176, 142,  98
        .byte 132,  98,  68             ; wood
        .byte  62,  48,  54             ; dark
        .byte 200,  76,  62             ; red

sign_colours:
        .byte  26,  14,   6
        .byte 255, 170,  40

; Rows of the sky: which of six colours, mixed by a 4 x 4 threshold pattern.
        .macro sky_row number, at_0, at_1, at_2, at_3
        .local tone, part
tone    = SKY + ((number) * 5) / FAR_SEA
part    = (((number) * 5) .mod FAR_SEA) * 16 / FAR_SEA
        .byte (tone + (part > at_0)) * 16 + tone + (part > at_1)
        .byte (tone + (part > at_2)) * 16 + tone + (part > at_3)
        .endmacro
sky:
        .repeat FAR_SEA / 4, four
        sky_row four * 4,      0,  8,  2, 10
        sky_row four * 4 + 1, 12,  4, 14,  6
        sky_row four * 4 + 2,  3, 11,  1,  9
        sky_row four * 4 + 3, 15,  7, 13,  5
        .endrepeat
        .byte $88, $88, $88, $88, $87, $88, $88, $87
        .byte $88, $78, $87, $87, $78, $88, $87, $87
        .byte $78, $78, $87, $77, $78, $78, $77, $87
        .byte $78, $77, $77, $77

foam:   .byte $AA, $A7, $AA, $7A

glints: .byte $66, $76, $77, $67

; Shapes: left, top, width, rows, colour, change of left and of width from row to row.
        .macro shape left, top, width, rows, colour, change_left, change_width
        .byte left, top, width, rows, (colour) * $11
        .ifblank change_left
        .byte 0, 0
        .else
        .byte <(change_left), <(change_width)
        .endif
        .endmacro

        .macro sun half, row, colour
        shape SUN_X - half, SUN_Y + row, half * 2, 1, colour
        .endmacro

far_shapes:
        sun  4, -14, GLOW
        sun  7, -13, GLOW
        sun  9, -12, GLOW
        sun 10, -11, GLOW
        sun 11, -10, GLOW
        sun 12,  -9, GLOW
        sun 13,  -8, GLOW
        sun 13,  -7, GLOW
        shape SUN_X - 14, SUN_Y - 6, 28, 12, GLOW
        sun 13,   6, GLOW
        sun 13,   7, GLOW
        sun 12,   8, GLOW
        sun 11,   9, GLOW
        sun 10,  10, GLOW
        sun  9,  11, GLOW
        sun  3, -10, WHITE
        sun  5,  -9, WHITE
        sun  7,  -8, WHITE
        sun  8,  -7, WHITE
        sun  9,  -6, WHITE
        sun  9,  -5, WHITE
        shape SUN_X - 10, SUN_Y - 4, 20, 8, WHITE
        sun  9,   4, WHITE
        sun  9,   5, WHITE
        sun  8,   6, WHITE
        sun  7,   7, WHITE
        sun  5,   8, WHITE
        sun  3,   9, WHITE
        ; clouds
        shape  20, 34, 34,  2, SKY + 3
        shape  12, 36, 56,  2, SKY + 3
        shape  30, 38, 20,  1, SKY + 3
        shape 150, 22, 30,  2, SKY + 2
        shape 138, 24, 60,  2, SKY + 2
        shape 160, 26, 22,  1, SKY + 2
        shape 196, 50, 40,  2, SKY + 4
        shape 186, 52, 62,  1, SKY + 4
        shape  96, 62, 30,  1, SKY + 4
        shape  88, 63, 52,  2, SKY + 4
        ; the far shore and its light
        shape 140, 91, 14,  9, SKY + 1, -3, 6
        shape 176, 95, 20,  5, SKY + 1, -4, 8
        shape 143, 74,  7, 18, WHITE
        shape 143, 79,  7,  3, RED
        shape 143, 86,  7,  3, RED
        shape 144, 70,  5,  4, GLOW
        shape 143, 69,  7,  1, DARK
        shape 145, 67,  3,  2, DARK
        .byte 0, 0, 0

near_shapes:
        ; the dune and its grass
        shape   0,  97, 22,  1, SAND
        shape   0,  98, 34,  4, SAND, 0, 3
        shape   0, 102, 46, 12, SAND, 0, 4
        shape   3,  91,  1,  7, DARK
        shape   5,  93,  1,  5, WOOD
        shape   7,  90,  1,  8, DARK
        shape  10,  92,  1,  6, WOOD
        shape  12,  94,  1,  4, DARK
        shape  16,  93,  1,  5, DARK
        shape   0, 108, 30,  1, WET
        shape  20, 112, 40,  1, WET
        ; the jetty
        shape 172,  96,  4, 96, WOOD
        shape 175,  96,  1, 96, DARK
        shape 198,  96,  4, 96, WOOD
        shape 201,  96,  1, 96, DARK
        shape 224,  96,  4, 96, WOOD
        shape 227,  96,  1, 96, DARK
        shape 250,  96,  4, 96, WOOD
        shape 253,  96,  1, 96, DARK
        shape 164,  92, 92,  3, WOOD
        shape 164,  95, 92,  1, DARK
        ; its rail
        shape 166,  80,  2, 12, DARK
        shape 182,  80,  2, 12, DARK
        shape 166,  81, 30,  1, DARK
        shape 166,  86, 30,  1, DARK
        ; the hut
        shape 196,  66, 52, 26, WHITE
        shape 196,  66, 52,  2, SKY + 3
        shape 246,  66,  2, 26, SKY + 3
        shape 214,  48, 16, 18, RED, -1, 2
        shape 196,  66, 52,  1, DARK
        shape 236,  46,  5, 10, DARK
        shape 204,  74, 12, 10, DARK
        shape 205,  75, 10,  8, GLOW
        shape 209,  75,  1,  8, DARK
        shape 205,  79, 10,  1, DARK
        shape 226,  73, 12, 19, DARK
        shape 227,  74, 10, 18, WOOD
        shape 235,  83,  1,  2, GLOW
        ; the tide staff
        shape 152,  96,  6, 96, DARK
        .repeat 12, band
        shape 153,  97 + band * 8, 4, 4, WHITE
        shape 153, 101 + band * 8, 4, 4, RED
        .endrepeat
        .byte 0, 0, 0

; What water of three depths makes of two dry pixels. The colours that it gives stand as
; hex digits, those for pixels 15 to 8 first, those for 7 to 0 after them.
        .macro tint upper, lower
        .repeat 16, left_pixel
        .repeat 16, right_pixel
        .byte (((upper * (left_pixel > 7) + lower * (left_pixel < 8)) >> (4 * (left_pixel & 7))) & 15) * 16 + (((upper * (right_pixel > 7) + lower * (right_pixel < 8)) >> (4 * (right_pixel & 7))) & 15)
        .endrepeat
        .endrepeat
        .endmacro
tint_shallow:
        tint $D9987799, $87777779
tint_middle:
        tint $99998889, $98888889
tint_deep:
        tint $99999999, $99999999

; What a sprite's two pixels let through: colour 0 is nothing.
through:
        .repeat 16, left_pixel
        .repeat 16, right_pixel
        .byte (left_pixel = 0) * $F0 + (right_pixel = 0) * $0F
        .endrepeat
        .endrepeat

grains: .byte $CC, $BC, $CB, $CC

; Sprites: the hex digits are the picture, 0 is nothing.
bird_art:
        ; wings up
        .byte $00, $00, $EE, $00, $00, $00
        .byte $00, $00, $0E, $E0, $00, $00
        .byte $00, $00, $0E, $DE, $00, $00
        .byte $00, $DD, $DD, $DD, $DE, $00
        .byte $0E, $DD, $DD, $DD, $DD, $EE
        .byte $00, $0A, $AA, $AD, $D0, $00
        .byte $00, $00, $AA, $00, $00, $00
        ; wings level
        .byte $00, $00, $00, $00, $00, $00
        .byte $00, $00, $00, $00, $00, $00
        .byte $0E, $EE, $DD, $DE, $00, $00
        .byte $00, $DD, $DD, $DD, $DE, $00
        .byte $0E, $DD, $DD, $DD, $DD, $EE
        .byte $00, $0A, $AA, $AD, $D0, $00
        .byte $00, $00, $AA, $00, $00, $00
        ; wings down
        .byte $00, $00, $00, $00, $00, $00
        .byte $00, $00, $00, $00, $00, $00
        .byte $00, $00, $00, $00, $00, $00
        .byte $00, $DD, $DD, $DD, $DE, $00
        .byte $0E, $DD, $DD, $DD, $DD, $EE
        .byte $00, $0A, $ED, $AA, $00, $00
        .byte $00, $00, $EE, $A0, $00, $00
        ; it stands
        .byte $00, $00, $00, $0D, $DE, $00
        .byte $00, $DD, $DD, $DD, $DE, $EE
        .byte $0D, $DD, $DD, $DD, $AA, $00
        .byte $ED, $DD, $DA, $EE, $A0, $00
        .byte $00, $0A, $AE, $EA, $00, $00
        .byte $00, $00, $E0, $0E, $00, $00
        .byte $00, $00, $E0, $0E, $00, $00
        ; it pecks
        .byte $00, $00, $00, $00, $00, $00
        .byte $00, $DD, $DD, $DD, $00, $00
        .byte $0D, $DD, $DD, $DD, $DD, $00
        .byte $ED, $DD, $DA, $EE, $DD, $E0
        .byte $00, $0A, $AE, $EA, $0E, $E0
        .byte $00, $00, $E0, $0E, $00, $E0
        .byte $00, $00, $E0, $0E, $00, $E0
boat:
        .byte $00, $00, $00, $00, $0E, $00, $00, $00, $00
        .byte $00, $00, $00, $00, $0E, $A0, $00, $00, $00
        .byte $00, $00, $00, $00, $AE, $A0, $00, $00, $00
        .byte $00, $00, $00, $00, $AE, $AA, $00, $00, $00
        .byte $00, $00, $00, $0A, $AE, $AA, $00, $00, $00
        .byte $00, $00, $00, $0A, $AE, $AA, $A0, $00, $00
        .byte $00, $00, $00, $AA, $AE, $AA, $A0, $00, $00
        .byte $00, $00, $00, $AA, $AE, $AA, $AA, $00, $00
        .byte $00, $00, $0A, $AA, $AE, $AA, $AA, $00, $00
        .byte $00, $00, $0A, $AA, $AE, $AA, $AA, $A0, $00
        .byte $00, $00, $FF, $FF, $FE, $FF, $FF, $F0, $00
        .byte $00, $00, $FF, $FF, $FE, $FF, $FF, $FF, $00
        .byte $00, $0A, $AA, $AA, $AE, $AA, $AA, $AA, $00
        .byte $00, $0A, $AA, $AA, $AE, $AA, $AA, $AA, $A0
        .byte $00, $AA, $AA, $AA, $AE, $AA, $AA, $AA, $A0
        .byte $00, $00, $00, $00, $0E, $00, $00, $00, $00
        .byte $DD, $DD, $DD, $DD, $DD, $DD, $DD, $DD, $DE
        .byte $0D, $DD, $DD, $DD, $DD, $DD, $DD, $DD, $E0
        .byte $0E, $FF, $FF, $FF, $FF, $FF, $FF, $FE, $00
        .byte $00, $ED, $DD, $DD, $DD, $DD, $DD, $E0, $00
        .byte $00, $0E, $EE, $EE, $EE, $EE, $EE, $00, $00
        .byte $00, $00, $00, $00, $00, $00, $00, $00, $00

left_poses:
        .repeat POSES, one
        .word birds_left + one * BIRD_BYTES
        .endrepeat
right_poses:
        .repeat POSES, one
        .word birds_right + one * BIRD_BYTES
        .endrepeat
wing_poses:
        .byte 0, 1, 2, 1
kept_low:
        .repeat ALL_BIRDS, one
        .byte <(birds_kept + one * BIRD_BYTES)
        .endrepeat
kept_high:
        .repeat ALL_BIRDS, one
        .byte >(birds_kept + one * BIRD_BYTES)
        .endrepeat

; Where the birds begin: seven that fly, three that stand on the dune and on the jetty.
start_low:
        .byte 190, 168, 170, 146, 150, 124, 130,  52, 76, 200
start_row:
        .byte  30,  20,  42,  12,  54,  26,  64,  94, 100, 85

metre_text:
        .byte "m", 0
tide_text:
        .byte "SEA LEVEL", 0
rising_text:
        .byte "RISING ", 0
falling_text:
        .byte "FALLING", 0

news:   .byte "Good evening from the Dunlin.   High water 5.70 m, low water 0.60 m.   "
        .byte "Harbour, museum and tide are made up; the birds are on their way south.   ", 0

digit_low:
        .repeat 10, one
        .byte <(large_digits + one * 44)
        .endrepeat
digit_high:
        .repeat 10, one
        .byte >(large_digits + one * 44)
        .endrepeat
        .include "digits.inc"
