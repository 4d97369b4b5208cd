from __future__ import annotations

import pytest
from py65.devices import mpu65c02, mpu6502

from busplay.core.instructions import INSTRUCTIONS, MODE_BYTES


@pytest.mark.parametrize(
    ("processor", "mpu_class"), [("6502", mpu6502.MPU), ("65c02", mpu65c02.MPU)]
)
def test_table_has_every_instruction_as_py65_has_it(processor: str, mpu_class: type) -> None:
    # py65 lacks BBR, BBS and STP; its mode names differ, so lengths are compared instead.
    lengths = {"imp": 1, "acc": 1, "imm": 2, "zpg": 2, "zpx": 2, "zpy": 2, "abs": 3, "abx": 3}
    lengths |= {"aby": 3, "ind": 3, "iax": 3, "inx": 2, "iny": 2, "zpi": 2, "rel": 2}
    theirs = {
        opcode: (name, lengths[mode])
        for opcode, (name, mode) in enumerate(mpu_class.disassemble)
        if name != "???"
    }
    ours = {
        opcode: (row.mnemonic, MODE_BYTES[row.mode])
        for opcode, row in INSTRUCTIONS[processor].items()
        if row.mnemonic[:2] != "BB" and row.mnemonic != "STP"
    }
    assert ours == theirs
