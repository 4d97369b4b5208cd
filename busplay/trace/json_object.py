"""JSON objects in a trace: the same bytes for the same values, and robust reading."""

from __future__ import annotations

import json

from busplay.trace.container import Where


def pack_object(plain: dict[str, object]) -> bytes:
    """Pack an object: keys sorted, no spaces, ASCII only."""
    text = json.dumps(plain, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return text.encode("ascii")


def parse_object(payload: memoryview, *, where: Where) -> dict[str, object]:
    """Parse an object.

    Raises:
        InputError: it is not JSON in UTF-8, or not an object.
    """
    try:
        plain = json.loads(bytes(payload).decode())
    except RecursionError:
        raise where.error("JSON nested too deeply", "an object of objects belongs here") from None
    except ValueError as error:  # not UTF-8, not JSON, or a number of thousands of digits
        raise where.error("text that is not JSON", str(error)[:120]) from None
    if not isinstance(plain, dict):
        raise where.error("JSON that is not an object", "an object belongs here")
    return plain
