"""Every parser of foreign bytes, as a function over bytes, with the folder of its corpus.

A parse function takes a file's bytes, hands them to a reader and takes everything the reader
gives. It returns, or raises `InputError`; anything else is a bug that `tests.fuzz` reports.
Add a parser here as a row, its corpus as `tests/data/fuzz/NAME/`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from tests.fuzz import formats, own

CORPORA = Path(__file__).parents[1] / "data" / "fuzz"


class FuzzTarget(NamedTuple):
    """One parser.

    Attributes:
        parse: takes a file's bytes.
        corpus: folder of small files to begin from.
    """

    parse: Callable[[bytes], object]
    corpus: Path

    def seeds(self) -> list[bytes]:
        """Return the corpus's files, in the order of their names."""
        return [file.read_bytes() for file in sorted(self.corpus.iterdir()) if file.is_file()]


_PARSERS: dict[str, Callable[[bytes], object]] = {
    "vcd": formats.parse_vcd,
    "capture_csv": formats.parse_capture_csv,
    "sr": formats.parse_sr,
    "raw": formats.parse_raw,
    "packed": formats.parse_packed,
    "pcapng": formats.parse_pcapng,
    "stores": formats.parse_stores,
    "frames_csv": formats.parse_frames_csv,
    "keys": formats.parse_keys,
    "link": own.parse_link_file,
    "board": own.parse_board_file,
    "faults": own.parse_faults_file,
    "marks": own.parse_marks_file,
    "layout": own.parse_layout_file,
    "palette": own.parse_palette_file,
    "font": own.parse_font_file,
    "image": own.parse_image_file,
    "labels": own.parse_labels_file,
    "debug_file": own.parse_ld65_debug_file,
    "trace": own.parse_trace,
    "sealed_trace": own.parse_sealed_trace,
    "history": own.parse_history,
    "device_states": own.parse_device_states,
    "trace_header": own.parse_trace_header,
}

TARGETS = {name: FuzzTarget(parse, CORPORA / name) for name, parse in _PARSERS.items()}
