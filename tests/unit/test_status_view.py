"""The status of a service, as a player reads it and as a log has it."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from pointsman.live.status_view import show_status, status_line, troubles


def entry(number: int, label: str, **more: Any) -> dict[str, Any]:
    return {
        "entry": number, "label": label, "plugin": "note_limit", "file": "harbour.yaml",
        "line": 7 + number, "changed": 0, "dropped": 0, "added": 0, "bypass": False, "fault": None,
        **more,
    }  # fmt: skip


def port(name: str, found: str | None, **more: Any) -> dict[str, Any]:
    return {
        "port": name, "found": found, "state": "open", "times_lost": 0, "trouble": "",
        "per_second": 0.0, **more,
    }  # fmt: skip


STATUS: dict[str, Any] = {
    "ok": True,
    "pid": 77,
    "rig": "harbour",
    "path": "/rigs/harbour.yaml",
    "song": "storm",
    "songs": ["calm", "storm"],
    "coming": None,
    "running_s": 3700.4,
    "transport": {
        "playing": True, "bar": 17, "tempo": 120.0, "clock_jitter_us": {"p50": 90, "max": 1200},
    },
    "input": port(
        "Pier", "Pier Sequencer MIDI 1", received=1234, per_second=48.25, malformed=1, gaps=0
    ),
    "input_entries": [],
    "outputs": {
        "tug": port(
            "Tug", "Tug Box MIDI 1", sent=2000, per_second=50.0, unsent={},
            sounding=[[5, 36], [5, 40], [6, 60]],
            away=[{"control": "cutoff", "channel": 5, "value": 127, "home": 64}],
            entries=[entry(1, "one voice", dropped=3, added=1), entry(2, "swell", bypass=True)],
        ),
        "gull": port(
            "Gull", None, sent=10, unsent={}, sounding=[], away=[], entries=[entry(1, "thin")],
        ),
    },
    "latency_us": {"p50": 60, "p99": 180, "max": 900},
    "dropped": {"no whole message": 1},
    "panics": 0,
    "notes": [],
}  # fmt: skip

SHOWN = """\
harbour (/rigs/harbour.yaml), song storm, running for 1 h 1 min. Playing, bar 17, tempo 120.

       port                   state  a second  in all  times lost
-----  ---------------------  -----  --------  ------  ----------
input  Pier Sequencer MIDI 1  open       48.2    1234           0
tug    Tug Box MIDI 1         open         50    2000           0
gull   Gull                   open          0      10           0

output  channel  sounds
------  -------  ------
tug           5  C2 E2
tug           6  C4

output  away from home  channel  value  home
------  --------------  -------  -----  ----
tug     cutoff                5    127    64

output  entry  label      where           changed  dropped  added
------  -----  ---------  --------------  -------  -------  -----  --------
tug         1  one voice  harbour.yaml:8        0        3      1
tug         2  swell      harbour.yaml:9        0        0      0  bypassed
gull        1  thin       harbour.yaml:8        0        0      0

Latency: p50 0.06 ms, p99 0.18 ms, max 0.90 ms.
Clock jitter: p50 0.09 ms, max 1.20 ms.
Dropped: 1 no whole message."""


@pytest.fixture
def status() -> dict[str, Any]:
    return copy.deepcopy(STATUS)


def test_all_of_it(status: dict[str, Any]) -> None:
    assert show_status(status) == SHOWN


def test_trouble_comes_first(status: dict[str, Any]) -> None:
    tug = status["outputs"]["tug"]
    status["input"].update(state="missing", trouble="no port is called Pier")
    tug.update(state="lost", unsent={"the port was gone": 12, "none": 0})
    tug["entries"][0]["fault"] = "ValueError: fog"
    status["input"]["gaps"] = 2
    status["notes"] = ["the state file cannot be written: the disk is full"]
    assert show_status(status).splitlines()[:7] == [
        "TROUBLE",
        "  input: Pier is not there yet; plug it in, it begins by itself (no port is called Pier)",
        "  tug: Tug is lost; plug it in again, it goes on by itself",
        "  tug: one voice (harbour.yaml:8) failed and is left out: ValueError: fog",
        "  tug: 12 messages not sent: the port was gone",
        "  input: the system lost messages 2 times, since too many came together",
        "  the state file cannot be written: the disk is full",
    ]
    assert "  failed\n" in show_status(status)
    assert len(troubles(status)) == 6
    status["input"]["gaps"] = 1
    once = "input: the system lost messages once, since too many came together"
    assert once in troubles(status)


def test_nothing_at_all(status: dict[str, Any]) -> None:
    status.update(song=None, songs=[], outputs={}, latency_us=None, dropped={}, running_s=0.2)
    status["transport"] = {"playing": False, "bar": None, "tempo": None, "clock_jitter_us": None}
    shown = show_status(status)
    assert shown.startswith("harbour (/rigs/harbour.yaml), running for 0 s. Stopped.\n")
    assert shown.endswith("\n\nNothing sounds.\n\nEvery control is home.")


def test_songs(status: dict[str, Any]) -> None:
    status.update(song=None, coming=2, running_s=600)
    assert "harbour.yaml), none of its songs (calm, storm), at the next bar storm, running" in (
        show_status(status)
    )
    status.update(song="calm", coming=0)
    assert ", song calm, at the next bar the rig itself, running for 10 min." in show_status(status)


def test_panics(status: dict[str, Any]) -> None:
    status["panics"] = 2
    assert show_status(status).endswith("\nPanics: 2.")


def test_one_line_for_a_log(status: dict[str, Any]) -> None:
    assert status_line(status) == (
        "rig=harbour song=storm running_s=3700 transport=playing bar=17 tempo=120 input=open "
        "in_per_s=48.2 out_per_s=50 sounding=3 away=1 bypassed=1 dropped=1 unsent=0 "
        "latency_us_p99=180 jitter_us_p50=90 trouble=0"
    )
    status["outputs"]["tug"]["state"] = status["outputs"]["gull"]["state"] = "lost"
    status.update(song=None, rig='high "water"', latency_us=None)
    line = status_line(status)
    assert line.startswith('rig="high \\"water\\"" running_s')
    assert " not_open=tug,gull " in line
    assert line.endswith("trouble=2")
    assert "\n" not in line
