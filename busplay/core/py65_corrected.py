"""py65's processors, corrected.

Errors of py65 1.2.0, found with the open per-cycle test set and the makers' manuals:

| where | py65 | right | source |
| --- | --- | --- | --- |
| DEC abs, both processors | 3 cycles | 6 | test set, manuals |
| 65C02 ADC, SBC in decimal mode | no extra cycle | one more | test set, data sheet |
| the same | N, V, Z as on the NMOS 6502; A with digits above 9 | of the result | test set |
| 65C02 BRA | 2, over a page 3 | 3, over a page 4 | test set, data sheet |
| 65C02 ASL LSR ROL ROR abs,X | 7 always | 6, over a page 7 | test set, data sheet |
| 65C02 BIT abs,X over a page | 4 | 5 | test set, data sheet |
| 65C02 (zp) with the pointer at $FF | high byte from $0100 | from $0000 | data sheet |
| 16-bit reads at $FFFF | outside memory | high byte from $0000 | 16-bit address bus |
| JSR | reads the whole address after its pushes | the low byte before them | test set's bus lists |
| writes | one a read-modify-write, no cycles | see `busplay.core.cycles` | test set, manuals |
| WAI | waits for ever | until an interrupt line is active | data sheet |
| STP, BBR, BBS | missing | STP stops; BBR and BBS stop with a reason | |
| undocumented opcodes | skipped in 0 cycles | stop with a reason | |
| reset | S $FF, I clear, 0 cycles, the counter at 0 | S $FD, I set, 7 cycles | manuals |
| interrupts | at once, by a call | see `busplay.core.interface` | manuals |

Only operand reads go through `ByteAt`, where a host port is hooked in. Instruction bytes,
pointers, the stack and vectors are read from memory directly.
"""

from __future__ import annotations

from py65.devices import mpu65c02, mpu6502

from busplay.core.cycles import INTERRUPT_OPCODE, timing_of

CARRY, ZERO, INTERRUPT, DECIMAL, BREAK, UNUSED, OVERFLOW, NEGATIVE = (
    1 << bit for bit in (0, 1, 2, 3, 4, 5, 6, 7)
)
STACK = 0x0100
# The same on both processors.
_CALL_POSITIONS = timing_of("6502").write_positions[0x20]
_INTERRUPT_POSITIONS = timing_of("6502").write_positions[INTERRUPT_OPCODE]
NMI_VECTOR, RESET_VECTOR, IRQ_VECTOR = 0xFFFA, 0xFFFC, 0xFFFE


class Corrected6502(mpu6502.MPU):  # type: ignore[misc]
    """py65's NMOS 6502, corrected, and with hooks for a core that runs it.

    Attributes:
        opcode: of the present instruction.
        write_position: of the next write within the instruction, see `busplay.core.cycles`.
        interrupt_p: P as sampled for interrupts, after CLI, SEI and PLP.
        limit: cycle at which the core's loop ends; an instruction sets 0 to end it at once.
        ends_at_clear_i: an instruction that clears I ends it: a line waits for that.
        stopped_by_opcode, halted, waiting: why an instruction ended the loop.
    """

    clears_decimal = False

    # py65's own.
    pc: int
    a: int
    x: int
    y: int
    sp: int
    p: int
    excycles: int

    def __init__(self, memory: bytearray) -> None:
        self.opcode = 0
        self.write_position = 1
        self.interrupt_p = 0
        self.limit = 0
        self.ends_at_clear_i = False
        self.stopped_by_opcode = False
        self.halted = False
        super().__init__(memory=memory)
        self.waiting = False

    def push(self, byte: int, *, position: int) -> None:
        """Push a byte at a position of the instruction."""
        self.write_position = position
        self.memory[STACK | self.sp] = byte
        self.sp = self.sp - 1 & 0xFF
        self.write_position = 1

    def interrupt(self, vector: int, *, pushed_p: int) -> None:
        """Push PC and P and go to the vector, for BRK and interrupt sequences."""
        high, low, flags = _INTERRUPT_POSITIONS
        self.push(self.pc >> 8, position=high)
        self.push(self.pc & 0xFF, position=low)
        self.push(pushed_p, position=flags)
        self.p |= INTERRUPT
        if self.clears_decimal:
            self.p &= ~DECIMAL
        self.pc = self.WordAt(vector)

    # Reads other than operand reads, and addresses that wrap at 64 KiB.

    def WordAt(self, address: int) -> int:  # noqa: N802
        memory = self.memory
        word: int = memory[address] | memory[address + 1 & 0xFFFF] << 8
        return word

    def WrapAt(self, address: int) -> int:  # noqa: N802
        memory = self.memory
        word: int = memory[address] | memory[address & 0xFF00 | address + 1 & 0xFF] << 8
        return word

    def ImmediateByte(self) -> int:  # noqa: N802
        byte: int = self.memory[self.pc]
        return byte

    ZeroPageAddr = ImmediateByte

    def ZeroPageXAddr(self) -> int:  # noqa: N802
        address: int = self.memory[self.pc] + self.x & 0xFF
        return address

    def ZeroPageYAddr(self) -> int:  # noqa: N802
        address: int = self.memory[self.pc] + self.y & 0xFF
        return address

    def AbsoluteAddr(self) -> int:  # noqa: N802
        memory, pc = self.memory, self.pc
        address: int = memory[pc] | memory[pc + 1 & 0xFFFF] << 8
        return address

    def AbsoluteXAddr(self) -> int:  # noqa: N802
        memory, pc = self.memory, self.pc
        low = memory[pc] + self.x
        if low > 0xFF and self.addcycles:
            self.excycles += 1
        address: int = low + (memory[pc + 1 & 0xFFFF] << 8) & 0xFFFF
        return address

    def AbsoluteYAddr(self) -> int:  # noqa: N802
        memory, pc = self.memory, self.pc
        low = memory[pc] + self.y
        if low > 0xFF and self.addcycles:
            self.excycles += 1
        address: int = low + (memory[pc + 1 & 0xFFFF] << 8) & 0xFFFF
        return address

    def IndirectXAddr(self) -> int:  # noqa: N802
        memory = self.memory
        pointer = memory[self.pc] + self.x & 0xFF
        address: int = memory[pointer] | memory[pointer + 1 & 0xFF] << 8
        return address

    def IndirectYAddr(self) -> int:  # noqa: N802
        memory = self.memory
        pointer = memory[self.pc]
        low = memory[pointer] + self.y
        if low > 0xFF and self.addcycles:
            self.excycles += 1
        address: int = low + (memory[pointer + 1 & 0xFF] << 8) & 0xFFFF
        return address

    def stPop(self) -> int:  # noqa: N802
        self.sp = self.sp + 1 & 0xFF
        byte: int = self.memory[STACK | self.sp]
        return byte

    # Instructions.

    def call(self) -> None:
        """JSR: read the low byte, push the return address, read the high byte."""
        high, low = _CALL_POSITIONS
        pc = self.pc
        target_low = self.memory[pc]
        pc = pc + 1 & 0xFFFF
        self.push(pc >> 8, position=high)
        self.push(pc & 0xFF, position=low)
        self.pc = target_low | self.memory[pc] << 8

    def break_(self) -> None:
        """BRK."""
        self.pc = self.pc + 1 & 0xFFFF
        self.interrupt(IRQ_VECTOR, pushed_p=self.p | BREAK | UNUSED)

    def clear_interrupt(self) -> None:
        """CLI."""
        self.interrupt_p = self.p
        self.p &= ~INTERRUPT
        if self.ends_at_clear_i:
            self.limit = 0

    def set_interrupt(self) -> None:
        """SEI."""
        self.interrupt_p = self.p
        self.p |= INTERRUPT

    def pull_flags(self) -> None:
        """PLP."""
        self.interrupt_p = self.p
        self.p = self.stPop() | BREAK | UNUSED
        if self.ends_at_clear_i and not self.p & INTERRUPT:
            self.limit = 0

    def return_from_interrupt(self) -> None:
        """RTI."""
        mpu6502.MPU.inst_0x40(self)
        if self.ends_at_clear_i and not self.p & INTERRUPT:
            self.limit = 0

    def stop_by_opcode(self) -> None:
        """Stop at a missing instruction."""
        self.pc = self.pc - 1 & 0xFFFF
        self.stopped_by_opcode = True
        self.limit = 0

    instruct = mpu6502.MPU.instruct[:]
    for _opcode, _name in enumerate(timing_of("6502").mnemonics):
        if _name == "???":
            instruct[_opcode] = stop_by_opcode
    instruct[0x00] = break_
    instruct[0x20] = call
    instruct[0x28] = pull_flags
    instruct[0x40] = return_from_interrupt
    instruct[0x58] = clear_interrupt
    instruct[0x78] = set_interrupt


class Corrected65C02(Corrected6502, mpu65c02.MPU):  # type: ignore[misc]
    """py65's 65C02, corrected likewise."""

    clears_decimal = True

    def ZeroPageIndirectAddr(self) -> int:  # noqa: N802
        return self.WrapAt(self.memory[self.pc])

    def opADC(self, get_address) -> None:  # type: ignore[no-untyped-def]  # noqa: N802
        if not self.p & DECIMAL:
            mpu6502.MPU.opADC(self, get_address)
            return
        # The digits add up as on the NMOS 6502; N and Z are of the result.
        a, data = self.a, self.ByteAt(get_address())
        low = (a & 0x0F) + (data & 0x0F) + (self.p & CARRY)
        if low > 9:
            low = (low + 6 & 0x0F) + 0x10
        total = (a & 0xF0) + (data & 0xF0) + low
        overflow = ~(a ^ data) & (a ^ total) & 0x80
        if total > 0x9F:
            total += 0x60
        self._set_decimal_result(total & 0xFF, carry=total > 0xFF, overflow=bool(overflow))

    def opSBC(self, get_address) -> None:  # type: ignore[no-untyped-def]  # noqa: N802
        if not self.p & DECIMAL:
            mpu6502.MPU.opSBC(self, get_address)
            return
        # C and V are of the binary difference; each digit that borrowed is adjusted.
        a, data = self.a, self.ByteAt(get_address())
        borrow = 1 - (self.p & CARRY)
        difference = a - data - borrow
        overflow = (a ^ data) & (a ^ difference) & 0x80
        result = difference
        if difference < 0:
            result -= 0x60
        if (a & 0x0F) - (data & 0x0F) - borrow < 0:
            result -= 0x06
        self._set_decimal_result(result & 0xFF, carry=difference >= 0, overflow=bool(overflow))

    def _set_decimal_result(self, result: int, *, carry: bool, overflow: bool) -> None:
        self.p &= ~(CARRY | OVERFLOW)
        self.p |= (CARRY if carry else 0) | (OVERFLOW if overflow else 0)
        self.a = result
        self.FlagsNZ(result)
        self.excycles += 1

    # py65 bypasses ByteAt in these four.

    def opRMB(self, get_address, mask: int) -> None:  # type: ignore[no-untyped-def]  # noqa: N802
        address = get_address()
        self.memory[address] = self.ByteAt(address) & mask

    def opSMB(self, get_address, mask: int) -> None:  # type: ignore[no-untyped-def]  # noqa: N802
        address = get_address()
        self.memory[address] = self.ByteAt(address) | mask

    def opTSB(self, get_address) -> None:  # type: ignore[no-untyped-def]  # noqa: N802
        self._test_bits(get_address(), set_them=True)

    def opTRB(self, get_address) -> None:  # type: ignore[no-untyped-def]  # noqa: N802
        self._test_bits(get_address(), set_them=False)

    def _test_bits(self, address: int, *, set_them: bool) -> None:
        byte = self.ByteAt(address)
        self.p &= ~ZERO
        if not byte & self.a:
            self.p |= ZERO
        self.memory[address] = byte | self.a if set_them else byte & ~self.a

    def wait(self) -> None:
        """WAI."""
        self.waiting = True
        self.limit = 0

    def halt(self) -> None:
        """STP."""
        self.halted = True
        self.limit = 0

    instruct = mpu65c02.MPU.instruct[:]
    for _opcode, _function in enumerate(instruct):
        if _function is mpu6502.MPU.inst_not_implemented:
            instruct[_opcode] = Corrected6502.stop_by_opcode
    for _opcode in (0x00, 0x20, 0x28, 0x40, 0x58, 0x78):
        instruct[_opcode] = Corrected6502.instruct[_opcode]
    instruct[0xCB] = wait
    instruct[0xDB] = halt
