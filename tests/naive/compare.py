"""Two recordings compared the slow way: all pairs, or by time alone."""

from __future__ import annotations

from collections.abc import Sequence


def fewest_edits(expected: Sequence[object], actual: Sequence[object]) -> int:
    """Count the fewest frames removed, added or changed that turn one into the other."""
    row = list(range(len(actual) + 1))
    for i, wanted in enumerate(expected, 1):
        diagonal, row[0] = row[0], i
        for j, found in enumerate(actual, 1):
            diagonal, row[j] = (
                row[j],
                min(row[j] + 1, row[j - 1] + 1, diagonal + (wanted != found)),
            )
    return row[-1]


def by_time(
    expected: Sequence[tuple[int, int]], actual: Sequence[tuple[int, int]], delay: int
) -> dict[str, list[int]]:
    """Sort frames (time, content) by what became of them, all being equally late.

    Returns:
        Times, on the expected clock, of the frames that are same, changed, missing, added.
    """
    there = dict(expected)
    here = {time - delay: content for time, content in actual}
    return {
        "same": [time for time in there if here.get(time) == there[time]],
        "changed": [time for time in there if time in here and here[time] != there[time]],
        "missing": [time for time in there if time not in here],
        "added": [time for time in here if time not in there],
    }
