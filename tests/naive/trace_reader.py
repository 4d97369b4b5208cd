"""A slow trace reader, written from traces/README.md alone: no busplay, no columns, no NumPy."""

from __future__ import annotations

import json
import struct
import zlib
from typing import Any

import zstandard

MAGIC = bytes.fromhex("89 42 50 54 0D 0A 1A 0A")


def read_trace(data: bytes) -> dict[str, Any]:
    """Read a trace up to its end, or up to its last complete chunk.

    Returns:
        header, frames as (edge, word), keys as (cycle, code), cycles of resets,
        cores as (cycle, state), states as (frames, edge, dict), summary, complete, and the
        totals that the last chunk with totals tells.
    """
    assert data[:8] == MAGIC
    assert struct.unpack_from("<I", data, 8) == (1,)
    trace: dict[str, Any] = {
        "frames": [], "keys": [], "resets": [], "cores": [], "states": [], "summary": {},
        "complete": False, "losses": [], "totals": (0, 0, 0, 0), "index": [], "writes": [],
        "pages": [],
    }  # fmt: skip
    position = 12
    entries = []
    chunk_frames: list[int] = []
    stop_edge = 0
    while position + 8 <= len(data):
        kind, length = struct.unpack_from("<4sI", data, position)
        end = position + 8 + length
        if end + 4 > len(data):
            break
        assert zlib.crc32(data[position:end]) == struct.unpack_from("<I", data, end)[0]
        payload = data[position + 8 : end]
        if kind == b"HEAD":
            trace["header"] = json.loads(payload)
            header = trace["header"]
            link = header["link"] if header["board"] is None else header["board"]["link"]
        elif kind == b"KEYS":
            trace["keys"] += struct.iter_unpack("<QB", payload)
        elif kind == b"rSET":
            trace["resets"] += [cycle for (cycle,) in struct.iter_unpack("<Q", payload)]
        elif kind == b"rCPU":
            cycle, unpacked = struct.unpack_from("<QI", payload)
            state, read = read_block(payload, 12, unpacked)
            assert read == len(payload)
            if trace["cores"]:
                before = trace["cores"][-1][1]
                state = bytes(one ^ other for one, other in zip(before, state, strict=True))
            trace["cores"].append((cycle, state))
        elif kind == b"FRMS":
            count, frames, stores, cycles, first_edge, stop = struct.unpack_from("<I5Q", payload)
            assert first_edge == stop_edge
            stop_edge = stop
            trace["frames"] += read_frames(payload[44:], count, link)
            assert len(trace["frames"]) == frames
            trace["totals"] = (frames, stores, cycles, stop)
            chunk_frames.append(count)
        elif kind == b"STAT":
            trace["states"].append(read_states(payload))
        elif kind == b"wBLK":
            first = sum(len(one["kinds"]) for one in trace["writes"])
            trace["writes"].append(read_writes(payload, chunk_frames[first:]))
        elif kind == b"rPAG":
            trace["pages"] += read_pages(payload)
        elif kind == b"rLST":
            (count,) = struct.unpack_from("<I", payload)
            rows, read = read_block(payload, 4, 9 * count)
            assert read == len(payload)
            trace["losses"] = list(
                zip(struct.unpack(f"<{count}Q", rows[: 8 * count]), rows[8 * count :], strict=True)
            )
        elif kind == b"SUMM":
            trace["summary"] = json.loads(payload)
        elif kind == b"INDX":
            trace["index"] = list(struct.iter_unpack("<4sIQQ", payload))
            assert trace["index"] == entries
            index_position = position
        elif kind == b"DONE":
            assert struct.unpack_from("<Q", payload)[0] == index_position
            trace["totals"] = struct.unpack_from("<4Q", payload, 8)
            trace["complete"] = True
        else:
            assert kind[:1].islower()
        if kind not in (b"INDX", b"DONE"):
            entries.append((kind, length, len(trace["frames"]), stop_edge))
        position = end + 4
    return trace


def read_pages(payload: bytes) -> list[tuple[int, int, int]]:
    """Return edge, bank, page of each change."""
    count, edge, known = struct.unpack_from("<IQB", payload)
    place = 13 + 3 * known
    if not count:
        assert place == len(payload)
        return []
    rows, end = read_block(payload, place, 11 * count)
    assert end == len(payload)
    found = []
    for i in range(count):
        edge += sum(rows[plane * count + i] << 8 * plane for plane in range(8))
        page = rows[9 * count + i] | rows[10 * count + i] << 8
        found.append((edge, rows[8 * count + i], page))
    return found


def read_block(data: bytes, offset: int, unpacked: int) -> tuple[bytes, int]:
    coding, length = struct.unpack_from("<BI", data, offset)
    stored = data[offset + 5 : offset + 5 + length]
    if coding == 1:
        stored = zstandard.ZstdDecompressor().decompress(stored)
    assert len(stored) == unpacked
    return stored, offset + 5 + length


def read_states(payload: bytes) -> tuple[int, int, dict[str, bytes]]:
    frames, edge, count = struct.unpack_from("<QQH", payload)
    offset = 18
    states = {}
    for _ in range(count):
        name_bytes = payload[offset]
        name = payload[offset + 1 : offset + 1 + name_bytes].decode("utf-8")
        offset += 1 + name_bytes
        (length,) = struct.unpack_from("<I", payload, offset)
        states[name], offset = read_block(payload, offset + 4, length)
    assert offset == len(payload)
    return frames, edge, states


def read_writes(payload: bytes, chunk_frames: list[int]) -> dict[str, Any]:
    """An index of writes: which cells each block wrote, how often, and the columns of its spans."""
    count, frames_before, cells, shift, spans = struct.unpack_from("<IQIBI", payload)
    assert 1 <= count <= 64
    assert count == len(chunk_frames)
    assert spans == sum(-(-frames // 1024) for frames in chunk_frames)
    kinds = list(payload[21 : 21 + count])
    blocks = [[chunk_frames[0]]]
    for frames in chunk_frames[1:]:
        full = blocks[-1][-1] == 65_536 or sum(blocks[-1]) >= 131_072
        if full or len(blocks[-1]) == 16:
            blocks.append([])
        blocks[-1].append(frames)
    row = (cells + 7) // 8
    bits, offset = read_block(payload, 21 + count, len(blocks) * row)
    written = [
        {cell for cell in range(cells) if bits[block * row + cell // 8] >> cell % 8 & 1}
        for block in range(len(blocks))
    ]
    counts = None
    if count >= 48:
        planes, offset = read_block(payload, offset, 4 * cells)
        counts = [
            sum(planes[plane * cells + cell] << 8 * plane for plane in range(4))
            for cell in range(cells)
        ]
    planes, offset = read_block(payload, offset, 72 * spans)
    numbers = [
        sum(planes[plane * 9 * spans + place] << 8 * plane for plane in range(8))
        for place in range(9 * spans)
    ]
    columns = [numbers[column * spans : (column + 1) * spans] for column in range(9)]
    for span in range(1, spans):
        columns[0][span] += columns[0][span - 1]
    fates = {}
    for chunk, kind in enumerate(kinds):
        if kind == 1:
            fates[chunk], offset = read_block(payload, offset, chunk_frames[chunk])
    assert offset == len(payload)
    return {
        "kinds": kinds, "frames_before": frames_before, "shift": shift,
        "blocks": [len(block) for block in blocks], "written": written, "counts": counts,
        "columns": columns, "fates": fates,
    }  # fmt: skip


def read_frames(body: bytes, count: int, link: dict[str, Any]) -> list[tuple[int, int]]:
    edge, sequence, address = struct.unpack_from("<3Q", body)
    heads = [struct.unpack_from("<QB", body, 24 + 9 * column) for column in range(8)]
    offset = 24 + 8 * 9
    columns = []
    planes: dict[tuple[int, int], bytes] = {}
    for column, (_, present) in enumerate(heads):
        for plane in range(8):
            if present >> plane & 1:
                planes[column, plane], offset = read_block(body, offset, count)
    assert offset == len(body)
    for column, (first, _) in enumerate(heads):
        numbers = []
        for i in range(count):
            octets = list(first.to_bytes(8, "little"))
            for plane in range(8):
                if (column, plane) in planes:
                    octets[plane] = planes[column, plane][i]
            numbers.append(int.from_bytes(bytes(octets), "little"))
        columns.append(numbers)

    places = field_places(link)
    check_name = link["check"]["field"] if link["check"] else None
    named = [n for n in ("sequence", "address", "data") if n in places and n != check_name]
    frame_bits = sum(len(bits) for bits in places.values())
    taken = {p for n in [*named, *([check_name] if check_name else [])] for p in places[n]}
    others = [p for p in range(frame_bits) if p not in taken]
    frame_symbols = frame_bits // link["lanes"]
    if link["start"] == "slot":
        grid = frame_symbols + link["framing"].get("gap_symbols", 0)
    else:
        grid = 2 if link["edges"] == "both" else 1

    def wrap(value: int, name: str) -> int:
        return value % (1 << len(places[name])) if name in named else 0

    frames = []
    for i in range(count):
        slots, rest, excess, other, sequence_step, address_step, data, check = (
            numbers[i] for numbers in columns
        )
        edge = (edge + slots * grid + rest) % (1 << 64)
        sequence = wrap(sequence + sequence_step, "sequence")
        address = wrap(address + address_step, "address")
        word = (excess << frame_bits) % (1 << 64) | put(other, others)
        for name, value in (("sequence", sequence), ("address", address), ("data", data)):
            if name in named:
                word |= put(value, places[name])
        if check_name:
            word |= put(right_check(word, link, places) ^ check, places[check_name])
        frames.append((edge, word))
    return frames


def field_places(link: dict[str, Any]) -> dict[str, list[int]]:
    """Where in the word (0 lowest) each bit of each field stands, the field's lowest first."""
    position = sum(field["bits"] for field in link["fields"])
    places = {}
    for field in link["fields"]:
        bits = list(range(field["bits"]))[::-1]  # in the order of the wire: highest first
        if field["order"] == "low_first":
            bits.reverse()
        elif field["order"] == "low_digit_first":
            digits = [bits[i : i + link["lanes"]] for i in range(0, len(bits), link["lanes"])]
            bits = [bit for digit in reversed(digits) for bit in digit]
        where = {}
        for bit in bits:
            position -= 1
            where[bit] = position
        places[field["name"]] = [where[bit] for bit in range(field["bits"])]
    return places


def put(value: int, places: list[int]) -> int:
    return sum((value >> bit & 1) << place for bit, place in enumerate(places))


def right_check(word: int, link: dict[str, Any], places: dict[str, list[int]]) -> int:
    check = link["check"]
    bits = len(places[check["field"]])
    register = check["initial"]
    covered = sorted((p for name in check["covers"] for p in places[name]), reverse=True)
    for place in covered:
        carry = (register >> (bits - 1) & 1) ^ (word >> place & 1)
        register = (register << 1) % (1 << bits)
        if carry:
            register ^= check["polynomial"]
    return register ^ check["xor"]
