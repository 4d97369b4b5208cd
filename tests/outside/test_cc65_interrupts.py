"""Programs of cc65 whose timer interrupts them run to their end, in C and in assembly."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from busplay.description.shipped_files import shipped_boards
from busplay.link.load import load_board
from busplay.run.session import Session

pytestmark = pytest.mark.skipif(not shutil.which("cl65"), reason="cc65 is not installed")

VIA = '[[devices]]\nkind = "via_6522"\nname = "timer"\nfirst_address = 0xA800\nirq = true\n'
C_PROGRAM = r"""
#include <6502.h>
#define T1CL (*(volatile unsigned char*)0xA804)
#define T1CH (*(volatile unsigned char*)0xA805)
#define ACR (*(volatile unsigned char*)0xA80B)
#define IFR (*(volatile unsigned char*)0xA80D)
#define IER (*(volatile unsigned char*)0xA80E)
#define SCREEN ((volatile unsigned char*)0x4000)
#define CONSOLE (*(volatile unsigned char*)0xA402)
#define EXIT (*(volatile unsigned char*)0xA40A)

static volatile unsigned ticks;
static volatile unsigned char read;
static char stack[256];

static unsigned char tick(void) {
    if (!(IFR & 0x40)) return IRQ_NOT_HANDLED;
    read = T1CL;
    SCREEN[ticks & 0xFF] = ticks * 3;
    ++ticks;
    return IRQ_HANDLED;
}

int main(void) {
    unsigned long sum = 0;
    set_irq(tick, stack, sizeof stack);
    ACR = 0x40;
    T1CL = 0x3E;
    T1CH = 0x1F;            /* 8,000 cycles: a millisecond at 8 MHz */
    IER = 0xC0;
    CLI();
    while (ticks < 20) sum = sum * 3 + 7;
    SEI();
    CONSOLE = 'A' + ticks - 20;
    EXIT = ticks;
    for (;;) ;
    return (int)sum;
}
"""
ENTRY = """
        .export initirq, doneirq
        .import callirq
initirq:
        lda #<entry
        sta $FFFE
        lda #>entry
        sta $FFFF
doneirq:
        rts
entry:
        pha
        txa
        pha
        tya
        pha
        jsr callirq
        pla
        tay
        pla
        tax
        pla
        rti
"""
ASSEMBLY = """
        .segment "STARTUP"
        lda #<irq
        sta $FFFE
        lda #>irq
        sta $FFFF
        lda #$40
        sta $A80B
        lda #$C0
        sta $A80E
        lda #$3E
        sta $A804
        lda #$1F
        sta $A805
        ldx #0
        cli
wait:   cpx #20
        bne wait
        sei
        lda #'A'
        sta $A402
        stx $A40A
stop:   jmp stop
irq:    pha
        lda $A804
        txa
        asl
        sta $4000,x
        inx
        pla
        rti
"""


@pytest.mark.source("cc65 2.19", part="cl65 -t none: set_irq, callirq, ca65", kind="library")
@pytest.mark.parametrize("core", ["compiled", "reference"])
@pytest.mark.parametrize("language", ["c", "assembly"])
def test_program_with_a_timer_interrupt_runs_to_its_end(
    tmp_path: Path, core: str, language: str
) -> None:
    sources = {"p.c": C_PROGRAM, "entry.s": ENTRY} if language == "c" else {"p.s": ASSEMBLY}
    for name, text in sources.items():
        (tmp_path / name).write_text(text)
    subprocess.run(
        ["cl65", "-t", "none", "-O", "-o", "p.bin", *sources],
        cwd=tmp_path, check=True, capture_output=True,
    )  # fmt: skip
    # RAM at the top, so that the program sets its own vectors.
    text = shipped_boards()["dunlin"].read_text(encoding="utf-8")
    (tmp_path / "board.toml").write_text(text.replace('kind = "rom"', 'kind = "ram"', 1) + VIA)
    board = load_board(tmp_path / "board.toml")
    session = Session(board, program=tmp_path / "p.bin", load_address=0x1000, core=core)
    session.core.pc = 0x1000
    session.run_until(exit=True, within_cycles=400_000)
    assert session.stop is not None
    assert session.stop.exit_status == 20
    assert session.take_console() == b"A"
    # A millisecond each, the first after the timer was started.
    assert 160_000 < session.cycle < 175_000
    screen = session.display("panel").memory[:20].tolist()
    assert screen == [(3 if language == "c" else 2) * tick for tick in range(20)]
