"""However a probe ends, the synth is left quiet and every control where it belongs."""

from __future__ import annotations

import signal

import pytest
from stage_kit import MakePier, Port, left_over, make_pier

from pointsman.control_refs import ControlRef
from pointsman.errors import PortError
from pointsman.probing.homes import Home
from pointsman.probing.moving import Move, SweepPlan, sweep
from pointsman.probing.search import Plan, search
from pointsman.probing.stage import PortGone
from pointsman.probing.steps import Away, Play, Probe, PutBack, Say
from pointsman.signals import Told

__all__ = ["make_pier"]

MS = 1_000_000
MOVES = (
    Move(ControlRef("", cc=74), 60, 66, Home(64, "")),
    Move(ControlRef("", cc=7), 0, 127, Home(100, "")),
    Move(ControlRef("", parameter=(False, 1, 8)), 0, 5, Home(3, "")),
)
HOMES = {(2, 74): 64, (2, 7): 100, (2, 6): 3, (2, 99): 127, (2, 98): 127}
SWEEP = SweepPlan(MOVES, 2, round_ns=1000 * MS, times=1, has_person=False)
SEARCH = Plan(channels=(1, 5, 9), has_person=False, has_input=True, has_meter=True)


def count(make: MakePier) -> int:
    pier = make()
    pier.stage.perform(sweep(SWEEP))
    assert left_over(pier.port.sent, HOMES) == []
    return len(pier.port.sent)


def test_a_signal_at_any_message_of_a_sweep_leaves_nothing_behind(make_pier: MakePier) -> None:
    number = count(make_pier)
    assert number > 100
    for place in range(number):
        pier = make_pier(Port(place, Told(signal.SIGTERM)))
        with pytest.raises(Told) as ended:
            pier.stage.perform(sweep(SWEEP))
        assert ended.value.code == 143
        assert left_over(pier.port.sent, HOMES) == [], place


def test_an_error_at_any_message_of_a_sweep_leaves_nothing_behind(make_pier: MakePier) -> None:
    for place in range(0, count(make_pier), 7):
        pier = make_pier(Port(place, RuntimeError("ashore")))
        pier.port.alive = lambda: True  # type: ignore[method-assign]

        def recovers(data: bytes, t_ns: int, port: Port = pier.port, send=pier.port.send) -> None:  # type: ignore[no-untyped-def]
            try:
                send(data, t_ns)
            finally:
                port.there = True

        pier.port.send = recovers  # type: ignore[method-assign]
        with pytest.raises(RuntimeError):
            pier.stage.perform(sweep(SWEEP))
        assert left_over(pier.port.sent, HOMES) == [], place


def test_a_signal_while_it_is_being_undone_does_not_stop_that(make_pier: MakePier) -> None:
    number = count(make_pier)
    for place in range(number):
        pier = make_pier(Port(number, Told(signal.SIGINT)))

        def probe(place: int = place, port: Port = pier.port) -> Probe[None]:
            steps = sweep(SWEEP)
            reply = None
            while True:
                step = steps.send(reply)
                reply = yield step
                if len(port.sent) > place:
                    port.fails_at = len(port.sent) + 1  # the second that undoes it
                    raise RuntimeError("ashore")

        with pytest.raises((Told, RuntimeError)):
            pier.stage.perform(probe())
        assert left_over(pier.port.sent, HOMES) == [], place


def test_a_plug_that_is_pulled_and_comes_back_gets_what_was_left(make_pier: MakePier) -> None:
    """The synth has kept its state: what it got before and what it gets then, together."""
    for place in range(0, count(make_pier), 5):
        again = Port()
        pier = make_pier(Port(place, PortError("port 'tug' is gone")), returns=again)
        with pytest.raises(PortGone) as ended:
            pier.stage.perform(sweep(SWEEP))
        assert left_over(pier.port.sent + again.sent, HOMES) == [], place
        assert "start anew" in str(ended.value)
    assert "Plug it in again" in pier.said
    assert ", NRPN 1:8 to 3." in pier.said


def test_what_a_port_may_have_lost_just_before_it_went_is_undone_again(make_pier: MakePier) -> None:
    """ALSA takes messages for a plug that is out already: they go nowhere, without an error."""
    again = Port()
    pier = make_pier(returns=again)

    def probe() -> Probe[None]:
        yield Away("control 74 to 64", (b"\xb0\x4a\x40",))
        yield Play(((0, b"\xb0\x4a\x7f"), (0, b"\x90\x3c\x28"), (1, b"\x80\x3c\x40")), 2)
        yield PutBack("control 74 to 64")
        yield Away("control 75 to 64", (b"\xb0\x4b\x40",))
        pier.port.there = False
        yield Play((), 1000 * MS)

    with pytest.raises(PortGone):
        pier.stage.perform(probe())
    assert again.sent == [b"\x80\x3c\x40", b"\xb0\x4a\x40", b"\xb0\x4b\x40"]


def test_a_plug_that_stays_away_is_told_with_what_is_left(make_pier: MakePier) -> None:
    pier = make_pier(Port(40, PortError("port 'tug' is gone")))
    began_ns = pier.clock.now_ns
    with pytest.raises(PortGone) as ended:
        pier.stage.perform(sweep(SWEEP))
    assert str(ended.value) == (
        "port 'tug' is gone, and did not come back; not put back: control 7 (channel_volume) to 100"
    )
    assert 29 < (pier.clock.now_ns - began_ns) / 1e9 < 35
    assert "Put back" not in pier.said


def test_who_gives_up_waiting_for_the_plug_is_told_what_is_left(make_pier: MakePier) -> None:
    pier = make_pier(Port(40, PortError("port 'tug' is gone")))

    def gives_up(seconds: float) -> None:
        raise Told(signal.SIGINT)

    pier.clock.sleep = gives_up  # type: ignore[method-assign]
    with pytest.raises(Told):
        pier.stage.perform(sweep(SWEEP))
    assert pier.said.endswith("control 7 (channel_volume) to 100.")
    assert "Not put back" in pier.said


def test_a_plug_that_is_pulled_in_silence_is_noticed_and_told(make_pier: MakePier) -> None:
    pier = make_pier()

    def probe() -> Probe[None]:
        yield Say("waiting")
        pier.port.there = False
        yield Play((), 2000 * MS)

    with pytest.raises(PortGone, match="port 'tug' is gone; plug it in again and start anew"):
        pier.stage.perform(probe())


def test_a_signal_during_the_search_ends_its_note(make_pier: MakePier) -> None:
    for place in range(12):
        pier = make_pier(Port(place, Told(signal.SIGHUP)))
        with pytest.raises(Told) as ended:
            pier.stage.perform(search(SEARCH))
        assert ended.value.code == 129
        assert left_over(pier.port.sent, {}) == [], place


def test_a_terminal_that_is_gone_does_not_keep_controls_from_going_back(
    make_pier: MakePier,
) -> None:
    pier = make_pier()

    def probe() -> Probe[None]:
        yield Away("control 74 to 64", (b"\xb0\x4a\x40",))
        yield Play(((0, b"\xb0\x4a\x7f"), (0, b"\x90\x3c\x28")), 100 * MS)
        pier.out.close()
        yield Say("to nobody")

    with pytest.raises(ValueError, match="closed file"):
        pier.stage.perform(probe())
    assert left_over(pier.port.sent, {(0, 74): 64}) == []


def test_a_line_ends_a_round_and_its_note(make_pier: MakePier) -> None:
    pier = make_pier(typed=[(120 * MS, "")])
    witnesses = []

    def probe() -> Probe[None]:
        witnesses.append((yield Play(((100 * MS, b"\x90\x3c\x28"),), 10**12, until_line=True)))

    pier.stage.perform(probe())
    assert witnesses[0].lines == ((120 * MS, ""),)
    assert pier.port.sent == [b"\x90\x3c\x28", b"\x80\x3c\x40"]


def test_ctrl_d_ends_a_sweep_that_would_wait_for_ever(make_pier: MakePier) -> None:
    pier = make_pier()
    pier.keyboard.ended = True
    plan = SweepPlan(MOVES, 2, round_ns=1000 * MS, times=None, has_person=True)
    assert pier.stage.perform(sweep(plan)) == 0
    assert left_over(pier.port.sent, HOMES) == []
