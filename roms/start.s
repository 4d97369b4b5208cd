; What happens at reset: the processor and its memory are set up, then `main` runs.
; Assembled with -D C_RUNTIME it also makes the stack that cc65's programs need,
; at the top of RAM and growing down. Made for the made-up Dunlin board.

        .setcpu "65C02"
        .include "dunlin.inc"

        .import __BSS_RUN__, __BSS_SIZE__
        .import __DATA_LOAD__, __DATA_RUN__, __DATA_SIZE__
.ifdef  C_RUNTIME
        .import _main
        .importzp sp
        .export __STARTUP__ : absolute = 1
.else
        .import main, irq
.endif

        .segment "ZEROPAGE"
from:   .res 2
to:     .res 2

        .segment "STARTUP"
reset:  sei
        cld
        ldx #$FF
        txs

        ldx #0                          ; zero page: all zero
:       stz 0,x
        inx
        bne :-

        lda #<__BSS_RUN__               ; variables without a value: zero
        sta to
        lda #>__BSS_RUN__
        sta to+1
        ldx #>__BSS_SIZE__
        beq @bss_rest
        ldy #0
@bss_page:
        lda #0
:       sta (to),y
        iny
        bne :-
        inc to+1
        dex
        bne @bss_page
@bss_rest:
        ldy #<__BSS_SIZE__
        beq @data
        lda #0
:       dey
        sta (to),y
        bne :-

@data:  lda #<__DATA_LOAD__             ; variables with a value: copied from ROM
        sta from
        lda #>__DATA_LOAD__
        sta from+1
        lda #<__DATA_RUN__
        sta to
        lda #>__DATA_RUN__
        sta to+1
        ldx #>__DATA_SIZE__
        beq @data_rest
        ldy #0
@data_page:
        lda (from),y
        sta (to),y
        iny
        bne @data_page
        inc from+1
        inc to+1
        dex
        bne @data_page
@data_rest:
        ldy #<__DATA_SIZE__
        beq @run
:       dey
        lda (from),y
        sta (to),y
        cpy #0
        bne :-

@run:   stz BLANK + PANEL_REGISTERS     ; pictures on, from the start of their memory
        stz BLANK + SIGN_REGISTERS
        stz BASE_LOW + PANEL_REGISTERS
        stz BASE_HIGH + PANEL_REGISTERS
        stz BASE_LOW + SIGN_REGISTERS
        stz BASE_HIGH + SIGN_REGISTERS
.ifdef  C_RUNTIME
        lda #<PANEL
        sta sp
        lda #>PANEL
        sta sp+1
        jsr _main
.else
        jsr main
        lda #0
.endif
        sta EXIT                        ; what main returns is the exit status
stop:   bra stop

.ifdef  C_RUNTIME
irq:
.endif
nmi:    rti

        .segment "VECTORS"
        .word nmi, reset, irq
