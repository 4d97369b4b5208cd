from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.player.player import MOST_LAG_NS, MOST_TICK_S, Player
from busplay.player.speed import AS_FAST_AS_IT_CAN, STEPS, StoreRate
from busplay.units import Ratio
from tests.player.fakes import FakePlayable, HandClock

S = 1_000_000_000
MS = 1_000_000


def player_of(**options) -> tuple[Player, FakePlayable, HandClock]:
    player_options = {
        name: options.pop(name) for name in ("refresh_hz", "speed", "budget_ns") if name in options
    }
    clock = HandClock()
    playable = FakePlayable(clock, **options)
    return Player(playable, clock, **player_options), playable, clock


def test_nothing_runs_before_play() -> None:
    player, playable, clock = player_of()
    clock.pass_ns(S)
    assert player.tick() == 0
    assert playable.cycle == 0


def test_second_of_ticks_runs_a_second_of_cycles() -> None:
    player, playable, clock = player_of(clock_hz=8_000_000)
    player.play()
    for _ in range(60):
        clock.pass_ns(S // 60)
        player.tick()
    clock.pass_ns(S - S // 60 * 60)
    player.tick()
    assert playable.cycle == 8_000_000


def test_time_before_play_is_not_due() -> None:
    player, playable, clock = player_of()
    clock.pass_ns(5 * S)
    player.play()
    player.tick()
    assert playable.cycle == 0


@given(
    st.integers(1, 20_000_000),
    st.sampled_from([*STEPS, Ratio.of(3, 7)]),
    st.lists(st.integers(0, MOST_LAG_NS // 2), max_size=60),
    st.integers(1, 9),
)
def test_cycles_follow_the_clock_without_drift(clock_hz, speed, spans_ns, instruction) -> None:
    player, playable, clock = player_of(
        clock_hz=clock_hz, speed=speed, instruction_cycles=instruction
    )
    player.play()
    passed_ns = 0
    for span_ns in spans_ns:
        clock.pass_ns(span_ns)
        passed_ns += span_ns
        player.tick()
        owed = passed_ns * clock_hz * speed.numerator // (S * speed.denominator)
        assert owed <= playable.cycle < owed + instruction
    assert player.cycles_dropped == 0


def test_tick_stops_when_its_budget_is_used_and_catches_up_later() -> None:
    # Half a kilocycle a microsecond: a tick of 10 ms has 80,000 cycles and room for 24,000.
    player, playable, clock = player_of(cost_ns_per_kilocycle=500_000, budget_ns=12 * MS)
    player.play()
    clock.pass_ns(10 * MS)
    began_ns = clock()
    assert 24_000 <= player.tick() < 80_000
    assert clock() - began_ns < 12 * MS + 4 * MS
    assert player.cycles_dropped == 0
    ran = playable.cycle
    # A tick with no more time on the clock than its own runs the cycles due.
    assert player.tick() > 0
    assert playable.cycle > ran


def test_lag_beyond_a_quarter_second_is_dropped_and_counted() -> None:
    player, playable, clock = player_of()
    player.play()
    clock.pass_ns(1 * S)
    # Nothing costs time, so all of it is run at once: a stall alone drops nothing.
    assert player.tick() == 8_000_000
    assert player.cycles_dropped == 0
    slow, playable, clock = player_of(cost_ns_per_kilocycle=1_000_000)
    slow.play()
    clock.pass_ns(1 * S)
    ran = slow.tick()
    assert slow.cycles_dropped == 8_000_000 - ran - 2_000_000
    assert playable.cycle == ran


def test_slow_core_gets_short_slices_so_that_a_tick_ends_in_time() -> None:
    player, _, clock = player_of(cost_ns_per_kilocycle=20_000_000, budget_ns=12 * MS)
    player.play()
    for _ in range(20):
        clock.pass_ns(16 * MS)
        began_ns = clock()
        player.tick()
        took_ns = clock() - began_ns
    assert took_ns < 16 * MS


def test_speed_is_an_exact_ratio() -> None:
    player, playable, clock = player_of(clock_hz=1_000_000)
    player.play()
    player.set_speed(Ratio.of(1, 8))
    clock.pass_ns(S // 8)
    player.tick()
    assert playable.cycle == 15_625
    player.set_speed(Ratio.of(16, 1))
    clock.pass_ns(S // 8)
    player.tick()
    assert playable.cycle == 15_625 + 2_000_000


def test_as_fast_as_possible_uses_the_budget_at_any_clock() -> None:
    player, playable, _ = player_of(
        cost_ns_per_kilocycle=1_000, speed=AS_FAST_AS_IT_CAN, budget_ns=12 * MS
    )
    player.play()
    player.tick()
    assert 12_000_000 <= playable.cycle < 15_000_000


def test_as_fast_as_possible_skips_at_most_some_seconds_in_a_tick() -> None:
    player, playable, _ = player_of(speed=AS_FAST_AS_IT_CAN)
    player.play()
    player.tick()
    assert playable.cycle == MOST_TICK_S * 8_000_000


def test_slower_and_faster_take_the_next_step() -> None:
    player, _, _ = player_of()
    seen = []
    for _ in range(6):
        player.faster()
        seen.append(player.speed)
    assert seen == [Ratio.of(n, 1) for n in (2, 4, 8, 16)] + [None, None]
    player.slower()
    assert player.speed == Ratio.of(16, 1)
    player.set_speed(Ratio.of(3, 1))
    player.slower()
    assert player.speed == Ratio.of(2, 1)
    for _ in range(9):
        player.slower()
    assert player.speed == Ratio.of(1, 8)


def test_pause_keeps_the_cycle_and_play_goes_on_from_it() -> None:
    player, playable, clock = player_of(clock_hz=1000)
    player.play()
    clock.pass_ns(S // 10)
    player.tick()
    player.pause()
    clock.pass_ns(S)
    player.tick()
    assert playable.cycle == 100
    player.toggle()
    clock.pass_ns(S // 10)
    player.tick()
    assert playable.cycle == 200
    player.toggle()
    assert not player.playing


def test_rest_skips_time() -> None:
    player, playable, clock = player_of(clock_hz=1000)
    player.play()
    clock.pass_ns(S // 5)
    player.rest()
    player.tick()
    assert playable.cycle == 0
    assert player.playing


def test_step_pauses_and_runs_to_the_next_refresh() -> None:
    player, playable, _ = player_of(clock_hz=1000, refresh_hz=60)
    player.play()
    stops = []
    for _ in range(4):
        player.step()
        assert player.stepping
        assert not player.playing
        player.tick()
        assert not player.stepping
        stops.append(playable.cycle)
    assert stops == [16, 33, 50, 66]
    assert player.tick() == 0


def test_step_from_between_refreshes_ends_on_one() -> None:
    player, playable, _ = player_of(clock_hz=1000, can_seek=True, end_cycle=10_000)
    player.seek_to(40)
    player.step()
    player.tick()
    assert playable.cycle == 50
    player.seek_to(40)
    player.step(-1)
    assert playable.cycle == 33
    player.step(-1)
    assert playable.cycle == 16
    player.step(-1)
    player.step(-1)
    assert playable.cycle == 0


def test_steps_asked_for_at_once_add_up() -> None:
    player, playable, _ = player_of(clock_hz=1000)
    player.step()
    player.step()
    player.tick()
    assert playable.cycle == 33


def test_long_step_takes_several_ticks() -> None:
    player, playable, _ = player_of(cost_ns_per_kilocycle=1_000_000, budget_ns=12 * MS)
    player.step()
    ticks = 0
    while player.stepping:
        player.tick()
        ticks += 1
    assert playable.cycle == 8_000_000 // 60
    assert ticks > 5


def test_step_back_does_nothing_without_seek() -> None:
    player, playable, clock = player_of(clock_hz=1000)
    player.play()
    clock.pass_ns(S // 10)
    player.tick()
    player.step(-1)
    player.tick()
    assert playable.cycle == 100
    assert playable.seeks == []


def test_toggle_ends_a_step_in_progress() -> None:
    player, playable, _ = player_of(cost_ns_per_kilocycle=1_000_000)
    player.step()
    player.tick()
    cycle = playable.cycle
    player.toggle()
    player.tick()
    assert (player.stepping, player.playing, playable.cycle) == (False, False, cycle)


def test_end_of_the_program_ends_playing() -> None:
    player, playable, clock = player_of(clock_hz=1000, end_cycle=70)
    player.play()
    clock.pass_ns(S // 10)
    assert player.tick() == 70
    assert not player.playing
    player.play()
    assert not player.playing
    player.step()
    assert not player.stepping
    assert playable.cycle == 70


def test_step_over_the_end_ends() -> None:
    player, playable, _ = player_of(clock_hz=1000, end_cycle=10)
    player.step()
    player.tick()
    assert playable.cycle == 10
    assert not player.stepping


def test_play_at_the_end_of_a_replay_begins_anew() -> None:
    player, playable, clock = player_of(clock_hz=1000, end_cycle=70, can_seek=True)
    player.play()
    clock.pass_ns(S // 10)
    player.tick()
    player.play()
    assert (playable.cycle, player.playing) == (0, True)


def test_reset_goes_back_and_a_program_that_had_ended_runs_again() -> None:
    player, playable, clock = player_of(clock_hz=1000, end_cycle=70)
    player.play()
    clock.pass_ns(S // 10)
    player.tick()
    player.reset()
    assert (playable.cycle, playable.resets, player.playing) == (0, 1, True)
    player.pause()
    player.reset()
    assert (playable.resets, player.playing) == (2, False)


def test_seek_stays_between_the_ends() -> None:
    player, playable, _ = player_of(clock_hz=1000, end_cycle=70, can_seek=True)
    player.seek_by(30)
    player.seek_by(1000)
    player.seek_by(-1000)
    assert playable.seeks == [30, 70, 0]


def test_running_program_cannot_seek() -> None:
    player, playable, _ = player_of()
    player.seek_to(50)
    assert playable.seeks == []


def test_loop_goes_exactly_from_end_to_begin() -> None:
    player, playable, clock = player_of(clock_hz=1000, end_cycle=1000, can_seek=True)
    player.seek_to(100)
    player.mark_begin()
    player.seek_to(150)
    player.mark_end()
    player.seek_to(120)
    player.play()
    clock.pass_ns(S // 10)
    assert player.tick() == 100
    assert playable.cycle == 120
    assert player.playing


def test_loop_begins_at_0_without_a_begin_mark() -> None:
    player, playable, clock = player_of(clock_hz=1000, end_cycle=1000, can_seek=True)
    player.seek_to(50)
    player.mark_end()
    player.seek_to(45)
    player.play()
    clock.pass_ns(S // 100)
    player.tick()
    assert playable.cycle == 5


def test_loop_without_an_end_mark_ends_with_the_replay() -> None:
    player, playable, clock = player_of(clock_hz=1000, end_cycle=1000, can_seek=True)
    player.seek_to(950)
    player.mark_begin()
    player.play()
    clock.pass_ns(S // 10)
    player.tick()
    assert playable.cycle == 950
    assert player.playing


def test_end_mark_set_while_playing_goes_back_at_once() -> None:
    """Playback ran on past the mark, as it was already there."""
    player, playable, clock = player_of(clock_hz=1000, end_cycle=1000, can_seek=True)
    player.seek_to(100)
    player.mark_begin()
    player.play()
    clock.pass_ns(S // 20)
    player.tick()
    player.mark_end()
    assert (playable.cycle, player.end_mark, player.playing) == (100, 150, True)
    clock.pass_ns(S // 20 + S // 100)
    player.tick()
    assert playable.cycle == 110


def test_play_from_the_end_mark_begins_the_loop() -> None:
    player, playable, clock = player_of(clock_hz=1000, end_cycle=1000, can_seek=True)
    player.seek_to(50)
    player.mark_end()
    player.play()
    clock.pass_ns(S // 100)
    player.tick()
    assert playable.cycle == 10


def test_mark_at_the_very_end_does_not_play_for_ever() -> None:
    player, _, clock = player_of(clock_hz=1000, end_cycle=1000, can_seek=True)
    player.seek_to(1000)
    player.mark_begin()
    player.play()
    clock.pass_ns(S // 10)
    assert player.tick() == 0
    assert not player.playing


def test_end_mark_pauses_a_playable_that_cannot_seek() -> None:
    player, playable, clock = player_of(clock_hz=1000)
    player.end_mark = 30
    player.play()
    clock.pass_ns(S // 10)
    player.tick()
    assert (playable.cycle, player.playing) == (30, False)
    player.play()
    clock.pass_ns(S // 100)
    player.tick()
    assert playable.cycle == 40


def test_crossing_marks_are_removed() -> None:
    player, _, _ = player_of(clock_hz=1000, end_cycle=1000, can_seek=True)
    player.seek_to(100)
    player.mark_end()
    player.seek_to(100)
    player.mark_begin()
    assert (player.begin_mark, player.end_mark) == (100, None)
    player.seek_to(50)
    player.mark_end()
    assert (player.begin_mark, player.end_mark) == (None, 50)
    player.clear_marks()
    assert (player.begin_mark, player.end_mark) == (None, None)


def test_achieved_speed_is_measured_over_half_a_second() -> None:
    player, _, clock = player_of(clock_hz=1_000_000, speed=Ratio.of(2, 1))
    player.play()
    assert player.achieved_permille is None
    for _ in range(6):
        clock.pass_ns(S // 10)
        player.tick()
    assert player.achieved_permille == 2000
    player.pause()
    assert player.achieved_permille is None


def test_player_refuses_impossible_arguments() -> None:
    clock = HandClock()
    with pytest.raises(ValueError, match="refresh_hz 0 and budget_ns 1 must be positive"):
        Player(FakePlayable(clock), clock, refresh_hz=0, budget_ns=1)


def test_whole_pictures_end_at_a_refresh_and_lose_no_time() -> None:
    clock = HandClock()
    playable = FakePlayable(clock, clock_hz=6_000)  # a refresh every 100 cycles
    player = Player(playable, clock, whole_pictures=True)
    player.play()
    for tick in range(1, 601):
        clock.pass_ns(S // 100)  # 60 cycles
        player.tick()
        assert playable.cycle == tick * 60 // 100 * 100
    player.set_speed(Ratio.of(1, 2))
    player.play()
    clock.pass_ns(S // 100)
    player.tick()
    assert playable.cycle == 36_000 + 30


class EveryTenCycles:
    """A store every ten cycles of a playable, the first at cycle 5."""

    def __init__(self, playable: FakePlayable) -> None:
        self.playable = playable
        self.frames = 1000

    @property
    def shown_frames(self) -> int:
        return max(0, (self.playable.cycle + 5) // 10)

    def cycle_showing(self, frame: int) -> int:
        return min(5 + 10 * frame, self.playable.end_cycle or 0)


def test_backwards_it_goes_at_the_speed_asked_for_and_stops_at_the_beginning() -> None:
    player, playable, clock = player_of(clock_hz=1000, can_seek=True, end_cycle=10_000)
    playable.cycle = 500
    player.toggle_back()
    assert player.playing
    assert player.is_back
    for wanted in (400, 300):
        clock.pass_ns(S // 10)
        assert player.tick() == 100
        assert playable.cycle == wanted
    player.toggle_back()
    clock.pass_ns(S)
    assert player.tick() == 0
    player.toggle_back()
    clock.pass_ns(S)
    player.tick()
    assert playable.cycle == 0
    assert not player.playing
    player.play_back()
    assert not player.playing


def test_backwards_whole_pictures_are_shown_at_refreshes_and_no_cycle_is_lost() -> None:
    clock = HandClock()
    playable = FakePlayable(clock, clock_hz=6_000, can_seek=True, end_cycle=60_000)
    playable.cycle = 30_000
    player = Player(playable, clock, refresh_hz=60, whole_pictures=True)
    player.play_back()
    for _ in range(100):
        clock.pass_ns(S // 100)
        player.tick()
        assert playable.cycle % 100 == 0
    assert playable.cycle == 24_000


def test_play_after_backwards_goes_forward_again() -> None:
    player, playable, clock = player_of(clock_hz=1000, can_seek=True, end_cycle=10_000)
    playable.cycle = 500
    player.play_back()
    player.play()
    clock.pass_ns(S // 10)
    player.tick()
    assert playable.cycle == 600
    assert not player.is_back


def test_what_cannot_seek_does_not_play_backwards() -> None:
    player, playable, _ = player_of(clock_hz=1000)
    playable.cycle = 500
    player.play_back()
    assert not player.playing


@pytest.mark.parametrize(("way", "cycles"), [(1, [105, 115, 125]), (-1, [95, 85, 75])])
def test_one_store_a_second_is_one_store_a_second(way: int, cycles: list[int]) -> None:
    player, playable, clock = player_of(clock_hz=1000, can_seek=True, end_cycle=10_000)
    player.stores = EveryTenCycles(playable)
    playable.cycle = 100 if way > 0 else 105
    player.set_speed(StoreRate(1))
    if way > 0:
        player.play()
    else:
        player.play_back()
    found = []
    for tenth in range(1, 31):
        clock.pass_ns(S // 10)
        player.tick()
        if tenth % 10 == 0:
            found.append(playable.cycle)
    assert found == cycles


def test_stores_are_stepped_over_one_by_one_and_pause_it() -> None:
    player, playable, _ = player_of(clock_hz=1000, can_seek=True, end_cycle=10_000)
    player.stores = EveryTenCycles(playable)
    player.play()
    player.step_stores(1)
    assert playable.cycle == 5
    player.step_stores(2)
    assert playable.cycle == 25
    player.step_stores(-2)
    player.step_stores(-1)
    assert playable.cycle == 0
    assert not player.playing


def test_speeds_by_stores_are_below_the_others_where_stores_are_known() -> None:
    player, playable, _ = player_of(clock_hz=1000, can_seek=True, end_cycle=10_000)
    for _ in range(20):
        player.slower()
    assert player.speed == Ratio.of(1, 8)
    player.stores = EveryTenCycles(playable)
    for _ in range(20):
        player.slower()
    assert player.speed == StoreRate(1)
    for _ in range(6):
        player.faster()
    assert player.speed == Ratio.of(1, 8)


def test_store_speed_ends_at_the_loop_s_end_and_at_the_end() -> None:
    player, playable, clock = player_of(clock_hz=1000, can_seek=True, end_cycle=100)
    player.stores = EveryTenCycles(playable)
    player.set_speed(StoreRate(1000))
    player.begin_mark, player.end_mark = 20, 60
    player.play()
    clock.pass_ns(S // 100)
    player.tick()
    assert playable.cycle == 20
    player.clear_marks()
    clock.pass_ns(S)
    player.tick()
    assert playable.cycle == 100
    assert not player.playing
