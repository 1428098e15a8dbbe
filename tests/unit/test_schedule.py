"""Timed calls: by time, by clocks, and when the clock dies."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from pointsman.schedule import Schedule
from pointsman.transport import Transport
from pointsman.units import parse_duration

MS = 1_000_000


class Diary:
    """A schedule, and what it called when, in milliseconds."""

    def __init__(self) -> None:
        self.transport = Transport()
        self.schedule = Schedule(self.transport)
        self.called: list[tuple[str, float]] = []

    def note(self, name: str) -> Callable[[int], None]:
        return lambda t_ns: self.called.append((name, t_ns / MS))

    def clock(self, t_ms: int) -> None:
        """One clock, as the engine takes it."""
        self.schedule.run_until(t_ms * MS)
        self.schedule.before_clock(t_ms * MS)
        self.transport.clock(t_ms * MS)
        self.called.append(("clock", t_ms))

    def after(self, text: str, t_ms: int, name: str) -> None:
        self.schedule.after(parse_duration(text), t_ms * MS, self.note(name))


@pytest.fixture
def diary() -> Diary:
    return Diary()


def test_calls_come_in_the_order_of_their_times_each_at_its_own(diary: Diary) -> None:
    for t_ms in (30, 10, 20):
        diary.schedule.at(t_ms * MS, diary.note(f"for {t_ms}"))
    assert diary.schedule.next_due_ns == 10 * MS
    diary.schedule.run_until(20 * MS)
    assert diary.called == [("for 10", 10), ("for 20", 20)]
    assert diary.schedule.next_due_ns == 30 * MS


def test_equal_times_keep_the_order_in_which_they_were_set(diary: Diary) -> None:
    for name in "cab":
        diary.schedule.at(5 * MS, diary.note(name))
    diary.schedule.run_until(5 * MS)
    assert [name for name, _ in diary.called] == ["c", "a", "b"]


def test_a_call_may_set_another_for_the_same_moment(diary: Diary) -> None:
    def first(t_ns: int) -> None:
        diary.called.append(("first", t_ns / MS))
        diary.schedule.at(t_ns, diary.note("second"))

    diary.schedule.at(5 * MS, first)
    diary.schedule.at(5 * MS, diary.note("between"))
    diary.schedule.run_until(5 * MS)
    assert [name for name, _ in diary.called] == ["first", "between", "second"]


def test_a_cancelled_call_is_not_made_and_nothing_waits_for_it(diary: Diary) -> None:
    timer = diary.schedule.at(5 * MS, diary.note("never"))
    timer.cancel()
    assert diary.schedule.next_due_ns is None
    assert diary.schedule.idle
    diary.schedule.run_until(10 * MS)
    timer.cancel()
    assert diary.called == []


def test_a_time_that_has_passed_means_now(diary: Diary) -> None:
    def set_late(t_ns: int) -> None:
        diary.schedule.at(2 * MS, diary.note("late"))

    diary.schedule.at(10 * MS, set_late)
    diary.schedule.run_until(50 * MS)
    assert diary.called == [("late", 10)]


@pytest.mark.parametrize("due", [1.5, "5", None, True])
def test_a_time_must_be_whole_nanoseconds(diary: Diary, due: object) -> None:
    with pytest.raises(TypeError, match="whole nanoseconds, not "):
        diary.schedule.at(due, diary.note("never"))  # type: ignore[arg-type]  # that is the test


def test_an_end_does_not_wait_for_what_repeats_for_ever(diary: Diary) -> None:
    diary.schedule.at(5 * MS, diary.note("again"), endless=True)
    assert diary.schedule.idle
    assert diary.schedule.next_due_ns == 5 * MS
    diary.schedule.at(9 * MS, diary.note("once"))
    assert not diary.schedule.idle


def test_clocks_are_counted_while_the_clock_runs(diary: Diary) -> None:
    """Three clocks after a time is just before the third clock that comes, whenever it comes."""
    diary.clock(0)
    diary.clock(20)
    diary.after("3 clocks", 25, "three on")
    for t_ms in (40, 65, 85):
        diary.clock(t_ms)
    assert diary.called[-3:] == [("clock", 65), ("three on", 85), ("clock", 85)]


def test_a_fraction_of_a_clock_is_timed_after_the_last_whole_one(diary: Diary) -> None:
    """1/64 is a clock and a half; a clock is 20 ms here."""
    diary.clock(0)
    diary.clock(20)
    diary.after("1/64", 20, "later")
    diary.clock(40)
    diary.clock(60)
    assert diary.called[-3:] == [("clock", 40), ("later", 50), ("clock", 60)]


def test_where_the_clock_does_not_run_durations_are_timed(diary: Diary) -> None:
    diary.after("1/16", 0, "at 120 a minute")
    assert diary.schedule.next_due_ns == 125 * MS
    diary.schedule.run_until(125 * MS)
    assert diary.called == [("at 120 a minute", 125)]


def test_a_wait_that_began_before_the_clock_did_is_counted_from_its_first_clock(
    diary: Diary,
) -> None:
    diary.after("2 clocks", 0, "two on")
    for t_ms in (30, 60):
        diary.clock(t_ms)
    assert diary.called == [("clock", 30), ("two on", 60), ("clock", 60)]


def test_a_wait_that_is_over_before_the_clock_begins_is_over(diary: Diary) -> None:
    diary.after("2 clocks", 0, "two on")
    diary.clock(42)
    assert [name for name, _ in diary.called] == ["two on", "clock"]


def test_a_time_in_ms_never_waits_for_clocks(diary: Diary) -> None:
    diary.clock(0)
    diary.clock(20)
    diary.after("30ms", 20, "timed")
    diary.schedule.run_until(50 * MS)
    assert diary.called[-1] == ("timed", 50)


def test_when_the_clock_dies_the_last_tempo_decides(diary: Diary) -> None:
    diary.clock(0)
    diary.clock(20)
    diary.after("2 clocks", 20, "soon")
    diary.after("24 clocks", 20, "after a quarter note")
    died_ns = (20 + 4 * 20) * MS + 1
    assert diary.schedule.next_due_ns == died_ns
    diary.schedule.run_until(10_000 * MS)
    assert diary.called[2:] == [("soon", died_ns / MS), ("after a quarter note", 500)]


def test_an_end_takes_everything_out_in_order(diary: Diary) -> None:
    diary.clock(0)
    diary.clock(20)
    diary.after("2 clocks", 20, "clocks")
    diary.schedule.at(90 * MS, diary.note("90"))
    diary.schedule.at(80 * MS, diary.note("80"))
    diary.schedule.at(70 * MS, diary.note("cancelled")).cancel()
    for timer in diary.schedule.take_all():
        timer.call(30 * MS)
    assert diary.called[2:] == [("80", 30), ("90", 30), ("clocks", 30)]
    assert diary.schedule.next_due_ns is None


def test_cancelled_calls_do_not_fill_the_memory(diary: Diary) -> None:
    """A rig with `longest_note: 1h` cancels one with every note-off, an hour before it is due."""
    schedule = diary.schedule
    kept = [schedule.at(3600_000 + n, diary.note(f"kept {n}")) for n in range(3)]
    for n in range(10_000):
        schedule.at(3600_000 + n, diary.note("cancelled")).cancel()
        schedule.after(parse_duration("6 clocks"), n, diary.note("cancelled")).cancel()
    assert len(schedule.timed) + len(schedule.counted) < 200
    assert all(timer.live for timer in kept)
    schedule.run_until(3600_010)
    assert [name for name, _ in diary.called] == ["kept 0", "kept 1", "kept 2"]
