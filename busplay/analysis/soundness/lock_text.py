"""What is known of coming into step and keeping it, as tables for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, isinf

from busplay.analysis.soundness.figures import duration, percent
from busplay.analysis.soundness.locks import HoldReport, LockCase, LockReport
from busplay.analysis.soundness.simulation import SimulatedLocks, SimulatedQuantile
from busplay.explain.text_layout import pairs, table
from busplay.wording import counted

Row = tuple[str, ...]


def lock_lines(
    locks: Sequence[LockReport],
    *,
    frame_symbols: int,
    link_idle_every: int | None,
    symbol_ns: float | None,
) -> list[str]:
    """Write the time to step from power-on and from a lost edge, chain and receiver."""
    rows: list[Row] = [("link", "from", "", "chain", "that is", "receiver's range", "fits")]
    for lock in locks:
        for name, case in (("power-on", lock.power_on), ("lost edge", lock.lost_edge)):
            rows += _case_rows(lock.load, name, case, symbol_ns)
    lines = _narrow(rows, right=frozenset({3}))
    return lines + pairs([("", _note(locks, frame_symbols, link_idle_every, symbol_ns))])


def _narrow(rows: list[Row], *, right: frozenset[int]) -> list[str]:
    """Lay out a table without the columns in which no row says anything."""
    kept = [i for i in range(len(rows[0])) if any(row[i] for row in rows[1:])]
    rows = [tuple(row[i] for i in kept) for row in rows]
    return table(rows, right=frozenset(kept.index(i) for i in right if i in kept))


def _case_rows(load: str, name: str, case: LockCase, symbol_ns: float | None) -> list[Row]:
    told, tried, agreement = case.told, case.tried, case.agreement
    if not isfinite(told.mean_symbols):
        return [(load, name, "mean", "never", "", "not tried", "")]
    quantile = told.quantile_symbols
    return [
        (
            load,
            name,
            "mean",
            number(told.mean_symbols),
            time_text(told.mean_symbols, symbol_ns),
            _mean_text(tried),
            _yes(None if agreement is None else agreement.mean),
        ),
        (
            "",
            "",
            "99 %",
            "-" if quantile is None else whole(quantile),
            "" if quantile is None else time_text(quantile, symbol_ns),
            _quantile_text(tried),
            _yes(None if agreement is None else agreement.quantile),
        ),
        (
            "",
            "",
            "false",
            percent(told.false_ratio),
            "",
            _false_text(tried),
            _yes(None if agreement is None else agreement.false_ratio),
        ),
    ]


def _yes(agrees: bool | None) -> str:
    return "" if agrees is None else "yes" if agrees else "NO"


def _mean_text(tried: SimulatedLocks | None) -> str:
    if tried is None:
        return "not tried"
    if tried.is_all:
        return number(tried.symbols.mean)
    low, high = tried.symbols.range
    return f"{number(low)} to {number(high)}"


def number(value: float) -> str:
    """Write a mean with as many places as its size leaves of interest.

    >>> number(61.37), number(280.84), number(35_149.76)
    ('61.37', '280.8', '35,150')
    """
    if value >= 1e6:
        return f"{value:.3g}"
    return f"{value:,.{2 if value < 100 else 1 if value < 1_000 else 0}f}"


def _range_text(found: SimulatedQuantile) -> str:
    low = "0" if isinf(found.low) else whole(found.low)
    return f"{low} or more" if isinf(found.high) else f"{low} to {whole(found.high)}"


def whole(value: float) -> str:
    """Write a whole number, a large one in short."""
    return f"{value:,.0f}" if value < 1e6 else f"{value:.3g}"


def _quantile_text(tried: SimulatedLocks | None) -> str:
    if tried is None:
        return ""
    return whole(tried.quantile.value) if tried.is_all else _range_text(tried.quantile)


def _false_text(tried: SimulatedLocks | None) -> str:
    if tried is None:
        return ""
    trials = tried.symbols.trials
    text = f"{tried.false_locks:,} of {trials:,}"
    if tried.is_all:
        return text
    low, high = tried.false_ratio
    return f"{text}: {percent(low).replace('none', '0')} to {percent(high)}"


def time_text(symbols: float, symbol_ns: float | None) -> str:
    """Write a time, if the clock is known."""
    return "" if symbol_ns is None else duration(symbols * symbol_ns * 1e-9)


def _note(
    locks: Sequence[LockReport],
    frame_symbols: int,
    link_idle_every: int | None,
    symbol_ns: float | None,
) -> str:
    cases = [one for lock in locks for one in (lock.power_on, lock.lost_edge)]
    agree = all(one.agreement is None or bool(one.agreement) for one in cases)
    note = "Times in symbols"
    if symbol_ns is not None:
        note += f" of {symbol_ns:,.4g} ns"
    note += f"; a frame has {frame_symbols}. "
    if any(one.tried is not None and not one.tried.is_all for one in cases):
        note += "The receiver's ranges hold the real figure with 99.99 %. "
    if any(one.tried is not None and one.tried.is_all for one in cases):
        note += "On an idle link it was tried at every symbol. "
    note += f"Chain and receiver: {agreement_text(agree)}."
    if not agree:
        note += (
            " The chain takes neighbouring places as independent of each other; where frames"
            " carry runs of constant bits they are not, and the receiver is right."
        )
    for lock in locks:
        if lock.load == "busy" and lock.idle_every != link_idle_every:
            note += f" The busy link was worked out with one idle slot in {lock.idle_every:,}."
        if not isfinite(lock.power_on.told.mean_symbols):
            note += f" On a link that is {lock.load} nothing shows where frames begin."
        elif not isfinite(lock.lost_edge.told.mean_symbols):
            note += f" On a link that is {lock.load} a wrong place can look right for ever."
    return note


def agreement_text(agree: bool) -> str:
    """Say whether two ways of finding a figure agree."""
    return "they agree" if agree else "THEY DIFFER"


def noisy_lock_lines(locks: Sequence[LockReport]) -> list[str]:
    """Write the time to step from power-on by bit error rate."""
    rows: list[Row] = [("rate", "mean", "99 %", "receiver's mean", "its 99 %", "fits")]
    for lock in locks:
        for one in lock.noisy:
            told, tried, agreement = one.case.told, one.case.tried, one.case.agreement
            if not isfinite(told.mean_symbols):
                rows.append((f"{one.bit_error_rate:g}", "never", "", "", "", ""))
                continue
            quantile = told.quantile_symbols
            rows.append(
                (
                    f"{one.bit_error_rate:.3g}",
                    number(told.mean_symbols),
                    "-" if quantile is None else whole(quantile),
                    _mean_text(tried) if tried else "too rare to show",
                    _quantile_text(tried),
                    _yes(None if agreement is None else bool(agreement)),
                )
            )
    lines = _narrow(rows, right=frozenset({0, 1, 2}))
    if any(one.case.tried is None for lock in locks for one in lock.noisy):
        note = "Too rare to show: so few of the trials would meet an error that nothing would show."
        lines += pairs([("", note)])
    return lines


def hold_lines(
    holds: Sequence[HoldReport], *, frame_symbols: int, symbol_ns: float | None
) -> list[str]:
    """Write for how many frames step is kept by bit error rate."""
    rows: list[Row] = [
        ("rate", "mean", "99 % keep", "that is", "receiver's mean", "its 99 %", "fits")
    ]
    for one in holds:
        rate = f"{one.bit_error_rate:.3g}"
        if one.mean_frames is None or one.first_losses_frames is None:
            rows.append((rate, "over 1e300", "", "", "too long to wait for", "", ""))
            continue
        tried = one.tried
        low, high = tried.frames.range if tried else (0.0, 0.0)
        rows.append(
            (
                rate,
                _frames(one.mean_frames),
                _frames(one.first_losses_frames),
                time_text(one.mean_frames * frame_symbols, symbol_ns),
                f"{whole(low)} to {whole(high)}" if tried else "too long to wait for",
                _range_text(tried.first_losses) if tried else "",
                _yes(None if one.agreement is None else bool(one.agreement)),
            )
        )
    lines = _narrow(rows, right=frozenset({0, 1, 2}))
    notes = "In frames; one receiver in a hundred has let go by the second."
    added = [f"{one.bit_error_rate:.3g}" for one in holds if not one.is_asked]
    if added:
        notes += f" At {added[0]} the end can be waited for."
    trials = max((one.tried.frames.trials for one in holds if one.tried), default=0)
    if trials:
        notes += f" Tried with up to {counted(trials, 'receiver')}."
    agree = all(one.agreement is None or bool(one.agreement) for one in holds)
    return lines + pairs([("", f"{notes} Chain and receiver: {agreement_text(agree)}.")])


def _frames(count: float) -> str:
    return f"{count:,.0f}" if count < 1e5 else f"{count:,.4g}"
