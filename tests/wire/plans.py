"""Hypothesis strategies for faults."""

from __future__ import annotations

from dataclasses import fields

from hypothesis import strategies as st

from busplay.description.faults import (
    BitFlips,
    EarlyLane,
    ExtraEdges,
    Faults,
    LateLane,
    LostEdges,
    Span,
    StuckLane,
)
from busplay.description.link import Link
from busplay.description.read_faults import wires_of


def spans(last: int) -> st.SearchStrategy[Span]:
    """Draw the spans of a fault."""
    return st.one_of(
        st.just(Span()),
        st.tuples(st.integers(0, last), st.integers(1, last)).map(
            lambda both: Span(both[0], both[0] + both[1])
        ),
    )


@st.composite
def plans(draw: st.DrawFn, link: Link, *, last_edge: int = 400) -> Faults:
    """Draw faults for a link, far more than usual."""
    wires = st.integers(0, wires_of(link) - 1)
    ratios = st.sampled_from((0.0, 1e-3, 0.02, 0.3, 1.0))
    span = spans(last_edge)
    edges = st.lists(st.integers(0, last_edge), max_size=4).map(tuple)
    some = {"max_size": 2}
    lanes = st.lists(wires, max_size=3).map(lambda each: tuple(sorted(set(each))))
    flips = st.builds(
        BitFlips,
        ratio=st.sampled_from((0.0, 1e-3, 0.02, 0.3)),
        lanes=lanes,
        burst_edges=st.sampled_from((1, 1, 2, 9)),
        burst_ratio=ratios,
        span=span,
    )
    return Faults(
        seed=draw(st.integers(0, 1 << 40)),
        bit_flips=tuple(draw(st.lists(flips, **some))),
        stuck_lanes=tuple(
            draw(st.lists(st.builds(StuckLane, wires, st.integers(0, 1), span), **some))
        ),
        late_lanes=tuple(draw(st.lists(st.builds(LateLane, wires, ratios, span), **some))),
        early_lanes=tuple(
            draw(st.lists(st.builds(EarlyLane, wires, ratios, span), max_size=1))
            if draw(st.booleans())
            else ()
        ),
        lost_edges=tuple(
            draw(
                st.lists(
                    st.builds(
                        LostEdges, st.sampled_from((0.0, 0.01, 0.2)), st.integers(1, 5), edges, span
                    ),
                    **some,
                )
            )
        ),
        extra_edges=tuple(
            draw(
                st.lists(
                    st.builds(ExtraEdges, st.sampled_from((0.0, 0.01, 0.2)), edges, span), **some
                )
            )
        ),
    )


def faults_file(plan: Faults) -> str:
    """Write a plan as a faults file."""
    lines = [f"seed = {plan.seed}"]
    for column in fields(plan):
        kinds = getattr(plan, column.name)
        for one in kinds if isinstance(kinds, tuple) else ():
            lines.append(f"[[{column.name}]]")
            for part in fields(one):
                value = getattr(one, part.name)
                if isinstance(value, Span):
                    lines.append(f"first_ns = {value.first_ns}")
                    if value.stop_ns is not None:
                        lines.append(f"stop_ns = {value.stop_ns}")
                elif value != ():
                    shown = list(value) if isinstance(value, tuple) else value
                    lines.append(f"{part.name} = {shown}")
    return "\n".join(lines) + "\n"
