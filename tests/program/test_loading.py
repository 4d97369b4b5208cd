from __future__ import annotations

import numpy as np
import pytest

from busplay.errors import InputError
from busplay.link.load import load_board
from busplay.program.loading import load_memory
from tests.program.test_image import IHEX_END, ihex


def test_load_address_is_for_raw_programs_only(tmp_path) -> None:  # type: ignore[no-untyped-def]
    """It was once ignored silently."""
    board, memory = load_board("dunlin"), np.zeros(0x10000, np.uint8)
    program = tmp_path / "p.hex"
    program.write_bytes(ihex((0, 0x0200, b"abc"), IHEX_END))
    with pytest.raises(InputError) as caught:
        load_memory(board, memory, program, load_address=0x0300)
    assert str(caught.value) == (
        f"{program}: found Intel HEX and the load address $0300; such a file has addresses of its"
        " own, so leave the load address out"
    )
    assert not memory.any()
    assert load_memory(board, memory, program).start_address == 0x0200
    program = tmp_path / "p.bin"
    program.write_bytes(b"\xa9\x01")
    assert load_memory(board, memory, program, load_address=0x0300).start_address == 0x0300
