; notice: the notice board of a made-up tide office. The times of the tides of a day are written on
; the page that is not shown, and then the page is changed, so that nobody sees it half written. The
; line at the bottom is typed on the page that is shown, with the cursor.

        .setcpu "65C02"
        .include "dunlin.inc"
        .include "notice.inc"

        .export main, irq
        .import panel_palette, panel_clear, panel_print, panel_print_large, text_colours
        .importzp text_column, text_row

INK             = 3
PAPER           = 12
FRAME_COLOURS   = $41                   ; of the notice board: paper 4
TITLE_COLOURS   = $43
TEXT_COLOURS    = $42
TIDES           = 4
FIRST_TIDE_ROW  = 4
TIME_COLUMN     = 9
DAY_COLUMN      = 23
TYPED_ROW       = 10
TYPED_COLUMN    = 2
REFRESHES_A_KEY = 4
REFRESHES_A_DAY = 90
DAYS            = 3

; Put the place of the next cell: on the page drawn on.
.macro  cell_at column, row
        lda #<(NOTICE + 2 * (column + NOTICE_COLUMNS * row))
        ldx #>(NOTICE + 2 * (column + NOTICE_COLUMNS * row))
        jsr set_cell
.endmacro

        .segment "ZEROPAGE"
cell:   .res 2
source: .res 2
drawn:  .res 1                          ; page that is drawn on
colours:
        .res 1
day:    .res 1
column: .res 1
row:    .res 1
hours:  .res TIDES                      ; two digits each, in binary-coded decimal
minutes:
        .res TIDES

        .segment "CODE"

main:   print panel_palette, panel_colours
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

        ldx #0
@colour:
        lda notice_colours,x
        sta NOTICE_REGISTERS + PALETTE_RED
        lda notice_colours+1,x
        sta NOTICE_REGISTERS + PALETTE_GREEN
        lda notice_colours+2,x
        sta NOTICE_REGISTERS + PALETTE_BLUE
        inx
        inx
        inx
        cpx #3 * 5
        bne @colour
        lda #4
        sta NOTICE_REGISTERS + BORDER

        ldx #TIDES - 1
@tide:  lda first_hours,x
        sta hours,x
        lda first_minutes,x
        sta minutes,x
        dex
        bpl @tide
        stz day
        stz drawn

next_day:
        lda drawn
        eor #1
        sta drawn
        jsr draw_page
        stz NOTICE_REGISTERS + CURSOR_SHAPE
        lda drawn
        sta NOTICE_REGISTERS + PAGE
        wait_refresh
        jsr type_message
        ldx #REFRESHES_A_DAY
        jsr wait_refreshes
        jsr later
        inc day
        bra next_day

; The tides come fifty minutes later each day.
later:  sed
        ldx #TIDES - 1
@next:  clc
        lda minutes,x
        adc #$50
        bcs @hour                       ; 100 minutes or more
        cmp #$60
        bcc @minutes
@hour:  sec
        sbc #$60
        sta minutes,x
        clc
        lda hours,x
        adc #1
        cmp #$24
        bne @hours
        lda #0
@hours: sta hours,x
        bra @done
@minutes:
        sta minutes,x
@done:  dex
        bpl @next
        cld
        rts

set_cell:
        sta cell
        stx cell+1
        lda drawn
        beq @end
        lda cell+1
        clc
        adc #>NOTICE_PAGE
        sta cell+1
@end:   rts

; Write the character in A, and go on to the next cell.
put:    sta (cell)
        ldy #1
        lda colours
        sta (cell),y
        lda cell
        clc
        adc #2
        sta cell
        bcc :+
        inc cell+1
:       rts

put_digits:
        pha
        lsr a
        lsr a
        lsr a
        lsr a
        ora #'0'
        jsr put
        pla
        and #$0F
        ora #'0'
        bra put

; Draw the page of a day: the frame and its text, then the times, then the day's number.
draw_page:
        cell_at 0, 0
        lda #<page
        sta source
        lda #>page
        sta source+1
        stz row
@row:   lda #FRAME_COLOURS
        sta colours
        stz column
@cell:  lda (source)
        jsr put
        inc source
        bne :+
        inc source+1
:       inc column
        ldx column
        lda #TEXT_COLOURS               ; within the frame
        ldy row
        cpy #1
        bne :+
        lda #TITLE_COLOURS
:       cpx #NOTICE_COLUMNS - 1
        bne :+
        lda #FRAME_COLOURS
:       cpy #3
        beq @rule
        cpy #0
        beq @rule
        cpy #9
        beq @rule
        cpy #NOTICE_ROWS - 1
        beq @rule
        sta colours
@rule:  cpx #NOTICE_COLUMNS
        bne @cell
        inc row
        lda row
        cmp #NOTICE_ROWS
        bne @row

        lda #TITLE_COLOURS
        sta colours
        .repeat TIDES, tide
        cell_at TIME_COLUMN, (FIRST_TIDE_ROW + tide)
        lda hours + tide
        jsr put_digits
        lda #':'
        jsr put
        lda minutes + tide
        jsr put_digits
        .endrepeat
        cell_at DAY_COLUMN, 2
        lda day
        and #$07
        ora #'1'-1
        inc a
        jmp put

; Type the day's message on the page that is shown, a character every few refreshes.
type_message:
        lda day
@fewer: cmp #DAYS
        bcc @found
        sbc #DAYS
        bra @fewer
@found: asl a
        tax
        lda messages,x
        sta source
        lda messages+1,x
        sta source+1
        cell_at TYPED_COLUMN, TYPED_ROW
        lda #TEXT_COLOURS
        sta colours
        lda #1
        sta NOTICE_REGISTERS + CURSOR_SHAPE
@next:  lda cell
        sta NOTICE_REGISTERS + CURSOR_LOW
        lda cell+1
        sec
        sbc #>NOTICE
        sta NOTICE_REGISTERS + CURSOR_HIGH
        ldx #REFRESHES_A_KEY
        jsr wait_refreshes
        lda (source)
        beq @end
        jsr put
        inc source
        bne @next
        inc source+1
        bra @next
@end:   rts

wait_refreshes:
        wait_refresh
        dex
        bne wait_refreshes
        rts

irq:    rti

        .segment "RODATA"
first_hours:
        .byte $03, $09, $15, $21
first_minutes:
        .byte $12, $25, $38, $50
messages:
        .addr long_pier, sea_wall, dunlins
long_pier:
        .byte "The long pier is open.", 0
sea_wall:
        .byte "Mind the waves at the wall.", 0
dunlins:
        .byte "Dunlins rest on the sand.", 0
title:  .byte "Tide office", 0
subtitle:
        .byte "see the notice board", 0

; The frame is of double lines, in the codes of IBM code page 437.
.macro  edge left, right
        .byte left
        .repeat NOTICE_COLUMNS - 2
        .byte $CD
        .endrepeat
        .byte right
.endmacro

page:   edge $C9, $BB
        .byte $BA, "      Tides at Dunlin Sand    ", $BA
        .byte $BA, "                  day         ", $BA
        edge $CC, $B9
        .byte $BA, "  high         4.6 m          ", $BA
        .byte $BA, "  low          1.1 m          ", $BA
        .byte $BA, "  high         4.4 m          ", $BA
        .byte $BA, "  low          0.9 m          ", $BA
        .byte $BA, "                              ", $BA
        edge $CC, $B9
        .byte $BA, "                              ", $BA
        edge $C8, $BC

notice_colours:
        .byte 0, 0, 0, 255, 208, 96, 255, 255, 255, 160, 240, 255, 16, 40, 72
panel_colours:
        .byte 0, 0, 0, 192, 192, 192, 128, 128, 128, 250, 250, 240
        .byte 128, 0, 0, 255, 0, 0, 128, 0, 128, 255, 0, 255
        .byte 0, 128, 0, 0, 255, 0, 128, 128, 0, 255, 255, 0
        .byte 16, 40, 72, 0, 0, 255, 0, 128, 128, 0, 255, 255
