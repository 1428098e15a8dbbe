"""Levels from outside: numbers that a command prints, and sound."""

from __future__ import annotations

import array
import math
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pointsman.errors import PointsmanError, UsageError
from pointsman.probing import meter as meter_module
from pointsman.probing.meter import QUIETEST, Meter, level_of, sound_meter


def sine(amplitude: float) -> bytes:
    """One second of 440 Hz at 16,000 samples a second."""
    wave = (math.sin(440 * math.tau * n / 16_000) for n in range(16_000))
    return array.array("h", [round(32768 * amplitude * x) for x in wave]).tobytes()


@contextmanager
def metering(command: str) -> Iterator[Meter]:
    meter = Meter(command)
    try:
        yield meter
    finally:
        meter.close()


def levels(meter: Meter, count: int) -> list[float]:
    give_up = time.monotonic() + 20
    while len(found := meter.since(0)) < count:
        assert time.monotonic() < give_up, found
        time.sleep(0.01)
    return [level for _, level in found]


@pytest.mark.parametrize("amplitude", [0.999, 0.5, 0.1, 0.01])
def test_the_level_of_a_sine_is_its_amplitude_over_the_square_root_of_two(amplitude: float) -> None:
    """The effective value of a sine (any textbook): 3.01 dB below its amplitude."""
    assert level_of(sine(amplitude)) == pytest.approx(20 * math.log10(amplitude) - 3.0103, abs=0.02)


def test_nothing_has_the_lowest_level() -> None:
    assert level_of(bytes(200)) == QUIETEST
    assert level_of(b"\x01\x00" * 100) == pytest.approx(-90.3, abs=0.1)


def test_numbers_are_read_from_the_beginning_of_lines_and_all_else_is_left() -> None:
    text = r"level in dB\n-60.5 dB\n\n-3\nnan\n-inf\n1e2\n0x10\n"
    with metering(f"printf '{text}'; sleep 60") as meter:
        assert levels(meter, 4) == [-60.5, -3.0, QUIETEST, 100.0]
        meter.forget()
        assert meter.since(0) == []


def test_what_the_command_has_started_ends_with_it(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    with metering(
        f"(while sleep 0.02; do date +%N >{mark}; done) & while sleep 0.02; do echo 1; done"
    ):
        time.sleep(0.1)
    before = mark.read_text()
    time.sleep(0.2)
    assert mark.read_text() == before


def test_a_meter_that_never_says_a_number_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(meter_module, "FIRST_WITHIN_S", 0.3)
    with pytest.raises(PointsmanError, match="printed no number in 0 s; it must print levels"):
        Meter("while sleep 0.05; do echo quiet; done")


def test_a_command_that_is_not_there_is_told() -> None:
    with pytest.raises(PointsmanError, match=r"'no-such-meter' ended without a level: .*not found"):
        Meter("no-such-meter")


def test_without_arecord_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    with pytest.raises(UsageError, match="sudo apt install alsa-utils"):
        sound_meter("default")


@pytest.mark.skipif(shutil.which("arecord") is None, reason="needs arecord (Debian: alsa-utils)")
def test_arecord_is_read_and_its_trouble_told() -> None:
    """ALSA's own device `null` records whatever; one that is not there is an error of arecord's."""
    meter = sound_meter("null")
    try:
        assert all(QUIETEST <= level <= 0 for level in levels(meter, 3))
    finally:
        meter.close()
    with pytest.raises(PointsmanError, match="ended without a level: arecord: "):
        sound_meter("no-such-device")
