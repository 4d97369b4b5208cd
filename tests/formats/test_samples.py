from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busplay.formats.samples import reader as samples_reader
from busplay.formats.samples.raw import parse_bits
from busplay.formats.samples.reader import SampleTimes
from tests.formats.reading import fault, read
from tests.naive.samples import changes_of

RATES = (1, 3, 48_000, 23_999_977, 24_000_000, 100_000_000, 999_999_937, 10**9, 10**12)
METADATA = """[global]
sigrok version=0.5.0

[device 1]
capturefile=logic-1
total probes=4
samplerate=24 MHz
total analog=0
probe1=CLK
probe3=D1
unitsize=1
"""


@st.composite
def sample_bytes(draw: st.DrawFn, size: int) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    """Draw samples with quiet and lively stretches."""
    random = np.random.default_rng(draw(st.integers(0, 1 << 30)))
    count = draw(st.sampled_from((0, 1, 2, 63, 64, 65, 127, 128, 129, 500, 1000)))
    samples = random.integers(0, 256, (count, size), dtype=np.uint8)
    hold = random.random(count) < draw(st.sampled_from((0.0, 0.5, 0.95)))
    for at in range(1, count):
        if hold[at]:
            samples[at] = samples[at - 1]
    return samples.reshape(-1)


@settings(max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_raw_samples_give_what_the_naive_reader_gives(tmp_path: Path, data: st.DataObject) -> None:
    size = data.draw(st.sampled_from((1, 1, 2, 4, 8)))
    highest = data.draw(st.integers({1: 0, 2: 8, 4: 16, 8: 32}[size], 8 * size - 1))
    others = data.draw(st.lists(st.integers(0, highest), max_size=9, unique=True))
    bits = [highest, *(bit for bit in others if bit != highest)]
    content = data.draw(sample_bytes(size))
    rate_hz = data.draw(st.sampled_from(RATES))
    path = tmp_path / "one.bin"
    path.write_bytes(content.tobytes())
    block_bytes = data.draw(st.sampled_from((64 * size, 192 * size, 1 << 18)))
    before = samples_reader.BLOCK_BYTES
    samples_reader.BLOCK_BYTES = block_bytes
    try:
        rows, info = read(path, rate_hz=rate_hz, bits=",".join(map(str, bits)))
    finally:
        samples_reader.BLOCK_BYTES = before
    samples = content.view(f"<u{size}").tolist()
    wanted, counts = changes_of(samples, bits, rate_hz)
    assert rows == wanted
    assert [one.changes for one in info.signals] == counts
    assert [one.name for one in info.signals] == [f"D{bit}" for bit in bits]
    assert info.stop_ps == len(samples) * 10**12 // rate_hz


@pytest.mark.parametrize("rate_hz", RATES)
def test_sample_times_are_exact(rate_hz: int) -> None:
    times = SampleTimes(rate_hz)
    last = times.last_index
    for index in (0, 1, 63, 64, 10**6 + 1, last):
        assert times.of(index) == index * 10**12 // rate_hz
    assert times.of(last) < 1 << 64 <= times.of(last + 3 + rate_hz // 10**12)


@pytest.mark.parametrize(
    ("text", "bits", "sample_bytes"),
    [
        ("0-4", (0, 1, 2, 3, 4), 1),
        ("7", (7,), 1),
        ("0,2,5-7", (0, 2, 5, 6, 7), 1),
        ("4-2, 0", (4, 3, 2, 0), 1),
        ("8", (8,), 2),
        ("16", (16,), 4),
        ("63", (63,), 8),
        ("0-4/16", (0, 1, 2, 3, 4), 2),
        ("23/24", (23,), 3),
    ],
)
def test_bits_are_spans_in_their_order(text: str, bits: tuple[int, ...], sample_bytes: int) -> None:
    assert parse_bits(text) == (bits, sample_bytes)


def test_raw_samples_need_a_rate(tmp_path: Path) -> None:
    path = tmp_path / "one.bin"
    path.write_bytes(bytes(range(100)))
    assert fault(path) == (
        [],
        "one.bin: found bytes that are no VCD, CSV or session file; for raw samples give"
        " --in-rate 24MHz --in-bits 0-7",
    )
    assert fault(path, bits="0-4") == (
        [],
        "one.bin: found raw samples without a rate; say how many there are in a second:"
        " --in-rate 24MHz",
    )
    assert read(path, rate_hz=1000)[1].format == "raw"


def test_raw_samples_that_end_in_a_sample_are_cut(tmp_path: Path) -> None:
    path = tmp_path / "one.bin"
    path.write_bytes(bytes(7))
    _, info = read(path, rate_hz=1000, bits="0,9")
    assert (info.complete, info.cut_reason) == (
        False,
        "it ends in the middle of a sample of 2 bytes: the file was cut off",
    )
    assert info.stop_ps == 3 * 10**9


def session_file(
    path: Path,
    pieces: dict[str, bytes],
    metadata: str | None = METADATA,
    compression: int = zipfile.ZIP_DEFLATED,
) -> Path:
    with zipfile.ZipFile(path, "w", compression) as file:
        file.writestr("version", "2")
        if metadata is not None:
            file.writestr("metadata", metadata)
        for name, content in pieces.items():
            file.writestr(name, content)
    return path


def test_session_pieces_are_joined_in_order_of_their_numbers(tmp_path: Path) -> None:
    random = np.random.default_rng(3)
    content = random.integers(0, 256, 12_000, dtype=np.uint8).tobytes()
    pieces = {f"logic-1-{n + 1}": content[n * 1000 : (n + 1) * 1000] for n in range(12)}
    pieces = dict(sorted(pieces.items()))  # logic-1-10 stands before logic-1-2
    rows, info = read(session_file(tmp_path / "one.sr", pieces))
    assert rows == changes_of(list(content), [0, 2], 24_000_000)[0]
    assert [one.name for one in info.signals] == ["CLK", "D1"]
    assert (info.format, info.sample_rate_hz, info.written_by) == (
        "sr",
        24_000_000,
        "sigrok 0.5.0",
    )
    one_piece = session_file(tmp_path / "two.sr", {"logic-1": content}, METADATA)
    assert read(one_piece)[0] == rows
    assert read(one_piece, rate_hz=12_000_000, signals=["D1"])[0][1][0] % 83_333 < 100


def test_session_of_three_byte_samples(tmp_path: Path) -> None:
    random = np.random.default_rng(3)
    content = random.integers(0, 4, 300, dtype=np.uint8)
    metadata = METADATA.replace("unitsize=1", "unitsize=3").replace("probe3", "probe18")
    rows, _ = read(session_file(tmp_path / "one.sr", {"logic-1-1": content.tobytes()}, metadata))
    samples = [int.from_bytes(content[at : at + 3].tobytes(), "little") for at in range(0, 300, 3)]
    assert rows == changes_of(samples, [0, 17], 24_000_000)[0]


@pytest.mark.parametrize(
    ("pieces", "metadata", "message"),
    [
        (
            {"logic-1-1": b"ab"},
            None,
            "one.sr: found a ZIP without metadata; a session file has version, metadata and"
            " logic-1-1",
        ),
        ({}, METADATA, "one.sr: found a ZIP without logic-1-1; the samples are there"),
        (
            {"logic-1-1": b"", "logic-1-3": b""},
            METADATA,
            "one.sr: found logic-1-3 but no logic-1-2; the pieces are numbered without a gap",
        ),
        (
            {"logic-1-1": b"ab"},
            METADATA.replace("samplerate=24 MHz\n", ""),
            "one.sr: metadata: found no samplerate; --in-rate 24MHz sets it",
        ),
        (
            {"logic-1-1": b"ab"},
            METADATA.replace("24 MHz", "often"),
            "one.sr: metadata: found samplerate 'often'; --in-rate 24MHz sets it",
        ),
        (
            {"logic-1-1": b"ab"},
            METADATA.replace("unitsize=1", "unitsize=99"),
            "one.sr: metadata: found unitsize=99; unitsize is 1 to 8",
        ),
        (
            {"logic-1-1": b"ab"},
            METADATA.replace("probe", "channel"),
            "one.sr: metadata: found no probe1=NAME; the channels are named there",
        ),
        (
            {"logic-1-1": b"ab"},
            "nothing here",
            "one.sr: metadata: found no INI text (File contains no section headers.); it has"
            " [device 1] and its keys",
        ),
        (
            {"logic-1-1": b"ab"},
            "[global]\n",
            "one.sr: metadata: found no section [device 1]; it names the channels",
        ),
    ],
)
def test_session_with_wrong_parts_is_refused(
    tmp_path: Path, pieces: dict[str, bytes], metadata: str | None, message: str
) -> None:
    assert fault(session_file(tmp_path / "one.sr", pieces, metadata)) == ([], message)


def test_session_file_cut_off_is_named_as_such(tmp_path: Path) -> None:
    path = session_file(tmp_path / "one.sr", {"logic-1-1": bytes(range(256)) * 40})
    path.write_bytes(path.read_bytes()[:-60])
    assert fault(path) == (
        [],
        "one.sr: found a session file without a whole directory (File is not a zip file); a ZIP"
        " ends with its directory; the file was cut off (--keep-going reads the members before)",
    )


@pytest.mark.parametrize("compression", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
@pytest.mark.parametrize("has_sizes", [True, False])
def test_session_file_cut_off_is_read_up_to_its_end_when_asked_to_keep_going(
    tmp_path: Path, compression: int, has_sizes: bool
) -> None:
    samples = np.random.default_rng(8).integers(0, 256, 3 * 9000, dtype=np.uint8).tobytes()
    pieces = {f"logic-1-{n}": samples[9000 * (n - 1) : 9000 * n] for n in (1, 2, 3)}
    path = session_file(tmp_path / "one.sr", pieces, compression=compression)
    if not has_sizes:
        # A writer that cannot go back puts the sizes behind the data.
        with zipfile.ZipFile(path) as whole:
            members = [(one.filename, whole.read(one)) for one in whole.infolist()]
        stream = Unseekable()
        with zipfile.ZipFile(stream, "w", compression) as archive:
            for name, content in members:
                archive.writestr(name, content)
        path.write_bytes(bytes(stream.written))
    whole_rows, _ = read(path)
    raw = path.read_bytes()
    for share in (0.55, 0.7, 0.85, 0.98):
        path.write_bytes(raw[: int(len(raw) * share)])
        if not has_sizes and compression == zipfile.ZIP_STORED:
            # Nothing tells where a member ends.
            assert fault(path, keep_going=True)[1].endswith("the file was cut off")
            continue
        rows, info = read(path, keep_going=True)
        assert rows == whole_rows[: len(rows)]
        assert len(rows) > (share - 0.1) * len(whole_rows)
        assert (info.complete, info.cut_reason) == (
            False,
            "it lacks the directory at its end: the file was cut off",
        )


class Unseekable(io.RawIOBase):
    """A pipe to write into."""

    def __init__(self) -> None:
        self.written = bytearray()

    def writable(self) -> bool:
        return True

    def write(self, data: object) -> int:
        self.written += bytes(data)  # type: ignore[call-overload]
        return len(bytes(data))  # type: ignore[call-overload]


def test_damaged_session_piece_is_reported_after_the_bytes_before_it(tmp_path: Path) -> None:
    content = np.random.default_rng(5).integers(0, 256, 200_000, dtype=np.uint8).tobytes()
    path = session_file(tmp_path / "one.sr", {"logic-1-1": content}, compression=zipfile.ZIP_STORED)
    raw = bytearray(path.read_bytes())
    raw[raw.index(content) + 150_000] ^= 0x10
    path.write_bytes(bytes(raw))
    rows, message = fault(path)
    assert message == (
        "one.sr: logic-1-1: found damaged data (Bad CRC-32 for file 'logic-1-1'); what was read"
        " before is whole (--keep-going reads it)"
    )
    kept, info = read(path, keep_going=True)
    assert kept == rows
    assert len(rows) > 100_000
    assert not info.complete


def test_session_metadata_that_unpacks_to_much_is_refused(tmp_path: Path) -> None:
    path = session_file(tmp_path / "one.sr", {"logic-1-1": b"ab"}, "#" * (1 << 21))
    assert fault(path) == (
        [],
        "one.sr: metadata: found more than 1,048,576 bytes; it is a short text",
    )
    assert len(path.read_bytes()) < 1 << 13


def test_session_packed_again_is_refused(tmp_path: Path) -> None:
    import gzip

    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w") as file:
        file.writestr("metadata", METADATA)
    path = tmp_path / "one.sr.gz"
    path.write_bytes(gzip.compress(inner.getvalue()))
    assert fault(path) == (
        [],
        "one.sr.gz: found a session file in gzip; unpack it once; a session file is compressed"
        " inside",
    )
