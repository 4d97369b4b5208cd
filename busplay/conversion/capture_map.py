"""Which signals of an open capture are the wires of a link, wherever in a large dump they are."""

from __future__ import annotations

from dataclasses import replace

from busplay.capture.lane_map import LaneMap, default_map, parse_map
from busplay.description.link import Link
from busplay.errors import InputError
from busplay.formats.capture import Capture


def map_capture(capture: Capture, link: Link, map_text: str | None) -> LaneMap:
    """Find a link's wires in a capture, by `--map` or by their names, and choose them in it.

    A capture gives 64 wires at a time; where a link's wires are not all among them, they are
    chosen instead. So is a signal that has its name only as an alias.

    Raises:
        InputError: as `parse_map` and `default_map`, with the capture's name.
    """
    try:
        if map_text is None:
            return _chosen(capture, default_map(link=link, signals=capture.wires))
        try:
            return _chosen(capture, parse_map(map_text, link=link, signals=capture.wires))
        except InputError as error:
            full = _with_full_names(capture, map_text)
            if full is None:
                raise error from None
            signals = tuple(dict.fromkeys((*capture.signals, *capture.wires)))
            return _chosen(capture, parse_map(full, link=link, signals=signals))
    except InputError as error:
        error.file = error.file or capture.info.file
        raise


def _chosen(capture: Capture, lane_map: LaneMap) -> LaneMap:
    """Choose the map's signals in the capture, if they are not, and count by its bits."""
    names = [probe.signal for probe in lane_map.wires.values()]
    if not set(names) <= set(capture.signals):
        capture.choose(names)
    places = {name: index for index, name in reversed(list(enumerate(capture.signals)))}
    return replace(
        lane_map,
        clock=replace(lane_map.clock, index=places[lane_map.clock.signal]),
        lanes=tuple(replace(one, index=places[one.signal]) for one in lane_map.lanes),
        strobe=None
        if lane_map.strobe is None
        else replace(lane_map.strobe, index=places[lane_map.strobe.signal]),
    )


def _with_full_names(capture: Capture, map_text: str) -> str | None:
    """Choose the signals that a map names as the file's reader finds them: ends of names, bits
    of vectors, aliases; return the map with what they are called then, or None."""
    parts = [part.partition("=") for part in map_text.split(",") if part.strip()]
    names = [name.strip().removeprefix("!").strip() for _, _, name in parts]
    try:
        capture.choose(names)
    except InputError:
        return None
    if len(capture.signals) != len(names):
        capture.choose(None)
        return None
    marks = ["!" if name.strip().startswith("!") else "" for _, _, name in parts]
    return ",".join(
        f"{wire}={mark}{name}"
        for (wire, _, _), mark, name in zip(parts, marks, capture.signals, strict=True)
    )
