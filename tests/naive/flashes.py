"""Flashes of single pixels, counted from the list of their colours; slow and obvious."""

from __future__ import annotations

from math import hypot

Rgb = tuple[int, int, int]


def linear(value: int) -> float:
    part = value / 255
    return part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4


def luminance(colour: Rgb) -> float:
    red, green, blue = map(linear, colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def is_red(colour: Rgb) -> bool:
    red, green, blue = map(linear, colour)
    return red + green + blue > 0 and red >= 0.8 * (red + green + blue)


def place(colour: Rgb) -> tuple[float, float]:
    red, green, blue = map(linear, colour) if any(colour) else (1.0, 1.0, 1.0)
    x = 0.4124 * red + 0.3576 * green + 0.1805 * blue
    y = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    z = 0.0193 * red + 0.1192 * green + 0.9505 * blue
    return 4 * x / (x + 15 * y + 3 * z), 9 * y / (x + 15 * y + 3 * z)


def general_transitions(colours: list[Rgb]) -> list[int]:
    """Return the pictures in which a pixel's luminance goes the other way by a tenth."""
    found: list[int] = []
    since, way = 0, ""
    for number in range(len(colours)):
        now = luminance(colours[number])
        levels = [luminance(one) for one in colours[since : number + 1]]
        if way != "down" and max(levels) - now >= 0.1 - 1e-9 and now < 0.8:
            way = "down"
        elif way != "up" and now - min(levels) >= 0.1 - 1e-9 and min(levels) < 0.8:
            way = "up"
        else:
            continue
        found.append(number)
        since = number
    return found


def red_transitions(colours: list[Rgb]) -> list[int]:
    """Return the pictures in which a pixel goes to or from a saturated red, far enough."""
    found: list[int] = []
    state = colours[0]
    for number, colour in enumerate(colours):
        (u, v), (u_before, v_before) = place(colour), place(state)
        if is_red(colour) != is_red(state):
            if hypot(u - u_before, v - v_before) <= 0.2:
                continue
            found.append(number)
        state = colour
    return found


def most_flashes(transitions: list[int], rate_hz: int) -> int:
    """Return how many flashes fall into one second at most."""
    return max(
        (sum(first <= one < first + rate_hz for one in transitions) // 2 for first in transitions),
        default=0,
    )
