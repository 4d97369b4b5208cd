"""A plan as JSON: exact numbers as fractions, named as in `busplay check --json`."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from busplay.analysis.budget_trace import TraceLoad
from busplay.analysis.plan import Need, Plan
from busplay.explain.link import fraction_facts

Json = dict[str, object]


def plan_json(plan: Plan) -> Json:
    """Return a plan as values that JSON holds."""
    request, budget = plan.request, plan.budget
    return {
        "kind": "plan",
        "link": request.link.name,
        "board": request.board.name if request.board else None,
        "processor_hz": request.processor_hz,
        "processor_hz_assumed": request.processor_hz_assumed,
        "budget": {
            "wires": budget.wires,
            "clock_hz": budget.clock_hz,
            "symbol_hz": budget.symbol_hz,
            "symbol_ns": fraction_facts(budget.symbol_ns),
            "bit_hz": budget.bit_hz,
            "slot_processor_cycles": fraction_facts(budget.slot_cycles),
            "slot_ns": fraction_facts(budget.slot_ns),
            "idle_every": budget.idle_every,
            "frame_hz": fraction_facts(budget.frame_hz),
            "data_bit_hz": fraction_facts(budget.data_bit_hz),
            "address_and_data_bit_hz": fraction_facts(budget.payload_bit_hz),
            "overhead_ratio": fraction_facts(1 - budget.payload_bit_hz / budget.bit_hz),
            "costs": [
                {
                    "name": one.name,
                    "bits": one.bits,
                    "share_ratio": fraction_facts(one.share_ratio),
                    "bit_hz": fraction_facts(one.bit_hz),
                }
                for one in budget.costs
            ],
        },
        "sender_fifo_depth": request.fifo_depth,
        "bursts": [
            {
                "name": row.name,
                "processors": list(row.processors),
                "reaches": row.reaches,
                "in_window": row.in_window,
                "period_cycles": row.pattern.period_cycles,
                "store_cycles": list(row.pattern.offset_cycles),
                "stores_hz": fraction_facts(row.stores_hz),
                "growth_per_cycle": fraction_facts(row.growth_per_cycle),
                "depths": [{"stores": stores, "depth": depth} for stores, depth in row.depths],
                "longest_without_loss": row.longest,
            }
            for row in plan.bursts
        ],
        "loops": [
            {
                "memory": row.memory.name,
                "filled_bytes": row.memory.filled_bytes,
                "memory_bytes": row.memory.memory_bytes,
                "name": row.run.loop.name,
                "instructions": row.run.loop.meaning,
                "cycles": row.run.cycles,
                "ns": fraction_facts(Fraction(row.run.cycles * 10**9, request.processor_hz)),
                "code_bytes": row.run.code_bytes,
                "fifo_depth_needed": row.load.depth,
                "fifo_depth_exact": row.load.depth_exact,
                "stores_lost": row.load.stores_lost,
            }
            for row in plan.loops
        ],
        "buses": [
            {
                "name": row.name,
                "pins": row.pins,
                "cycles_a_store": row.store_bits,
                "needed_hz": fraction_facts(row.needed_hz),
                "usual_hz": row.usual_hz,
                "stores_hz": fraction_facts(row.stores_hz),
            }
            for row in plan.buses
        ],
    }


def trace_json(load: TraceLoad) -> Json:
    """Return a trace's load as values that JSON holds."""
    return {
        "stores": load.stores,
        "stores_lost_when_recorded": load.stores_lost,
        "cycles": load.cycles,
        "mean_hz": fraction_facts(load.mean_hz),
        "share_ratio": fraction_facts(load.share_ratio),
        "peaks": [
            {
                "window_ns": one.window_ns,
                "stores": one.stores,
                "first_cycle": one.first_cycle,
                "share_ratio": fraction_facts(one.share_ratio),
            }
            for one in load.peaks
        ],
        "frames_behind_another": load.frames_behind_another,
        "fifo_depth_needed": load.fifo_depth,
        "fifo_depth_exact": load.fifo_depth_exact,
        "stores_lost": load.fifo_lost,
        "resolution_cycles": fraction_facts(load.resolution_cycles),
    }


def needs_json(needs: Sequence[Need]) -> list[Json]:
    """Return needs as values that JSON holds."""
    return [{"need": one.name, "met": one.met, "reason": one.reason} for one in needs]
