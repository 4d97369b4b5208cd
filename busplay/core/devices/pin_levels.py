"""The levels that a board file's constants and keys bring to a device's pins."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from busplay.core.devices.interface import NO_EVENT
from busplay.description.device_pins import ACTIVE_HIGH, PinUse

# How long a key counts as down, and the pulse that says that one was pressed.
KEY_SECONDS = 1 / 20
STROBE_SECONDS = 10e-6


@dataclass(frozen=True, slots=True)
class KeySnapshot:
    """What pins show of keys.

    Attributes:
        seen: count of key presses that came in.
        held: cycle until which each key code counts as down.
        code: of the last key.
        strobe_until: end of the pulse of the last key, or 0.
    """

    seen: int = 0
    held: tuple[tuple[int, int], ...] = ()
    code: int = 0
    strobe_until: int = 0


class PinLevels:
    """The levels of a device's pins that constants and keys determine.

    Args:
        uses: what each pin is connected to.
        clock_hz: the processor's clock.

    Attributes:
        shows_keys: whether a pin depends on keys.
    """

    def __init__(self, uses: Sequence[PinUse], *, clock_hz: int) -> None:
        self._uses = [one for one in uses if one.role in ("level", "key", "code", "strobe")]
        self._clock_hz = clock_hz
        self.shows_keys = any(one.role != "level" for one in self._uses)
        self._log: list[tuple[int, int]] = []
        self._seen = 0
        self._held: dict[int, int] = {}
        self._code = 0
        self._strobe_until = 0

    def press(self, code: int, *, cycle: int) -> None:
        """Take a key, pressed in a cycle that is not before the last key's."""
        if self.shows_keys:
            self._log.append((cycle, code))

    def next_change(self) -> int:
        """Return the cycle in which a key is pressed or released, or `NO_EVENT`."""
        if not self.shows_keys:
            return NO_EVENT
        ends = [*self._held.values()]
        if self._strobe_until:
            ends.append(self._strobe_until)
        if self._seen < len(self._log):
            ends.append(self._log[self._seen][0])
        return min(ends, default=NO_EVENT)

    def advance(self, cycle: int) -> None:
        """Press and release what is due by a cycle."""
        self._held = {code: until for code, until in self._held.items() if until > cycle}
        if self._strobe_until <= cycle:
            self._strobe_until = 0
        count = bisect_right(self._log, cycle, lo=self._seen, key=lambda one: one[0])
        for _, code in self._log[self._seen : count]:
            self._code = code
            self._held[code] = cycle + max(1, round(KEY_SECONDS * self._clock_hz))
            self._strobe_until = cycle + max(1, round(STROBE_SECONDS * self._clock_hz))
        self._seen = count

    def levels(self) -> Iterator[tuple[str, int]]:
        """Return each pin that constants and keys determine, and its level."""
        for use in self._uses:
            yield use.pin, self._level_of(use)

    def _level_of(self, use: PinUse) -> int:
        match use.role:
            case "key":
                is_down = use.number & 0xFF in self._held
                return int(is_down == bool(use.number & ACTIVE_HIGH))
            case "code":
                return self._code >> use.number & 1
            case "strobe":
                return int(not self._strobe_until)
        return use.number

    def snapshot(self) -> KeySnapshot:
        """Return the present state, without the log of key presses."""
        return KeySnapshot(
            self._seen, tuple(sorted(self._held.items())), self._code, self._strobe_until
        )

    def restore(self, snapshot: KeySnapshot) -> None:
        """Return to a state; the log of key presses is kept."""
        self._seen, self._held = snapshot.seen, dict(snapshot.held)
        self._code, self._strobe_until = snapshot.code, snapshot.strobe_until
