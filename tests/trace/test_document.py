"""The document is sufficient: a reader written from it alone reads the writer's traces."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch
from busplay.description.link import Link
from busplay.link.layout import FrameLayout
from busplay.trace import container
from busplay.trace.columns import COLUMN_NAMES, ColumnCodec
from busplay.trace.index import END_BYTES
from busplay.write_index.cells import CELLS_MAX
from busplay.write_index.stretch import SPAN_FRAMES, STRETCH_CHUNKS, SpanColumn
from tests.naive.trace_reader import read_frames, read_trace
from tests.strategies import links
from tests.trace.cases import any_frames, header_for, stream, write_trace
from tests.trace.test_columns import ODD_LINKS

DOCUMENT = Path(__file__).parent.parent.parent / "traces" / "README.md"


def as_pairs(frames: FrameBatch) -> list[tuple[int, int]]:
    return list(zip(frames.edge.tolist(), frames.word.tolist(), strict=True))


@pytest.mark.parametrize("name", ODD_LINKS)
@settings(max_examples=25, deadline=None)
@given(frames=any_frames(), seed=st.integers(0, 99))
def test_naive_reader_gives_the_frames_of_odd_links(
    tmp_path_factory: pytest.TempPathFactory, name: str, frames: FrameBatch, seed: int
) -> None:
    path = tmp_path_factory.mktemp("naive") / "a.trace"
    for batch in (frames, stream(ODD_LINKS[name], 40, seed=seed)):
        write_trace(path, batch, header_for(ODD_LINKS[name], with_board=False))
        naive = read_trace(path.read_bytes())
        assert naive["complete"]
        assert naive["frames"] == as_pairs(batch)


@settings(max_examples=100, deadline=None)
@given(link=links(), seed=st.integers(0, 99), damage=st.integers(0, (1 << 64) - 1))
def test_naive_reader_gives_the_frames_of_any_link(link: Link, seed: int, damage: int) -> None:
    from busplay.description.plain import link_to_plain

    frames = stream(link, 30, seed=seed)
    word = frames.word.copy()
    word[seed % 30] ^= np.uint64(damage)
    frames = FrameBatch(frames.edge, word)
    body = ColumnCodec(FrameLayout(link)).encode(frames)
    assert read_frames(body, 30, link_to_plain(link)) == as_pairs(frames)


def test_document_names_every_chunk_type_and_column() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    table = text[text.index("| type | payload |") : text.index("A recorder closes")]
    types = {kind.encode() for kind in re.findall(r"^\| `(\w{4})` \|", table, re.MULTILINE)}
    assert types == container.KNOWN_TYPES
    columns = text[text.index("| column |") : text.index("The grid is a slot")]
    assert tuple(re.findall(r"^\| (\w+) \|", columns, re.MULTILINE))[1:] == COLUMN_NAMES


def test_document_states_the_figures_of_the_code() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    assert f"`{container.MAGIC.hex(' ').upper()}`" in text
    assert f"version of the format, {container.VERSION} " in text
    assert f"up to {container.PAYLOAD_BYTES_MAX:,}" in text
    assert f"The end chunk takes {END_BYTES} bytes" in text
    assert container.CHUNK_OVERHEAD == container.HEAD.size == 12
    assert f"k: 1 to {STRETCH_CHUNKS}" in text
    assert f"spans* of {SPAN_FRAMES:,}" in text
    assert f"more than {CELLS_MAX:,}" in text
    assert len(SpanColumn) == 9
