"""The parts of the page that wait for nothing: addresses, decisions, rates, what is shown."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from pointsman.errors import UsageError
from pointsman.page.listen import Listen, parse_listen
from pointsman.page.security import (
    Asked,
    Bucket,
    Buckets,
    Doors,
    Guesses,
    Refused,
    group,
    host_name,
)
from pointsman.page.state import Errors, OtherVersion, now_view, rig_view

# ---- where it listens ----------------------------------------------------------------------------

PLACES = {
    "127.0.0.1:8177": ("127.0.0.1", 8177, True, "http://127.0.0.1:8177/"),
    "localhost:80": ("127.0.0.1", 80, True, "http://127.0.0.1:80/"),
    "127.9.0.1:1": ("127.9.0.1", 1, True, "http://127.9.0.1:1/"),
    "[::1]:8177": ("::1", 8177, True, "http://[::1]:8177/"),
    "0.0.0.0:8177": ("0.0.0.0", 8177, False, "http://0.0.0.0:8177/"),
    "[::]:8177": ("::", 8177, False, "http://[::]:8177/"),
    "192.168.1.20:65535": ("192.168.1.20", 65535, False, "http://192.168.1.20:65535/"),
}


@pytest.mark.parametrize("text", PLACES)
def test_addresses(text: str) -> None:
    found = parse_listen(text)
    assert (found.address, found.port, found.loopback, found.url) == PLACES[text]


WRONG = ["", "8177", ":8177", "127.0.0.1", "::1:8177", "box:8177", "1.2.3:80", "127.0.0.1:99999",
         "127.0.0.1:-1", "[127.0.0.1]:80", "http://127.0.0.1:80", "127.0.0.1:80 81"]  # fmt: skip


@pytest.mark.parametrize("text", WRONG)
def test_what_is_no_address(text: str) -> None:
    with pytest.raises(UsageError) as error:
        parse_listen(text)
    assert str(error.value).startswith("--listen: ") and "write" in str(error.value)


def test_everywhere() -> None:
    assert Listen("0.0.0.0", 1).everywhere and Listen("::", 1).everywhere
    assert not Listen("127.0.0.1", 1).everywhere


# ---- who asks ------------------------------------------------------------------------------------

HOSTS = {  # RFC 9110, 7.2, and RFC 3986, 3.2.2
    "box": "box", "Box:8177": "box", "box.:80": "box", "127.0.0.1:8177": "127.0.0.1",
    "[::1]": "::1", "[::1]:8177": "::1", "": None, ":80": None, "box:": None, "box:x": None,
    "[::1": None, "[::1]8177": None, "[box]:80": None, "a@b:80": "a@b", "::1": None,
}  # fmt: skip


@pytest.mark.parametrize("host", HOSTS)
def test_the_name_in_a_host(host: str) -> None:
    assert host_name(host) == HOSTS[host]


def opens(local: str, host: str, method: str = "GET", path: str = "/", **headers: str) -> bool:
    """Whether a request is let in."""
    told = {"host": host} | {name.replace("_", "-"): value for name, value in headers.items()}
    try:
        Doors(frozenset({"box", "box.local"})).check(Asked(method, path, local, told))
    except Refused:
        return False
    return True


def test_the_address_that_the_connection_came_to_is_our_name() -> None:
    assert opens("192.168.1.20", "192.168.1.20:8177")
    assert opens("192.168.1.20", "box.local:8177")
    assert not opens("192.168.1.20", "192.168.1.21:8177")
    assert not opens("192.168.1.20", "localhost:8177")
    assert not opens("192.168.1.20", "harbour.example")
    assert opens("::ffff:192.168.1.20", "192.168.1.20:8177")  # one socket for both (RFC 4291)
    assert opens("fe80::1%eth0", "[fe80::1]:8177")
    assert opens("::1", "[0:0::1]:8177") and opens("::1", "localhost")
    assert not opens("", "")


POST = {"origin": "http://box:8177", "sec_fetch_site": "same-origin",
        "content_type": "application/json; charset=utf-8", "content_length": "9"}  # fmt: skip


def test_a_press_of_our_own_page_is_let_in() -> None:
    assert opens("10.0.0.2", "box:8177", "POST", "/press", **POST)
    assert opens("10.0.0.2", "box:8177", "POST", "/press", **{**POST, "origin": "https://BOX:8177"})


@pytest.mark.parametrize("length", ["-1", "x", "4097", "9" * 30, "1e3", "٣"])
def test_lengths_of_bodies(length: str) -> None:
    assert not opens("10.0.0.2", "box:8177", "POST", "/press", **{**POST, "content_length": length})


# ---- how often -----------------------------------------------------------------------------------


def test_a_bucket_has_so_many_and_fills_again() -> None:
    bucket = Bucket(2, 0.5)
    assert [bucket.take(0.0) for _ in range(3)] == [True, True, False]
    assert [bucket.take(t) for t in (1.0, 2.0, 2.0)] == [False, True, False]
    assert [bucket.take(1e9) for _ in range(3)] == [True, True, False]


def test_addresses_of_one_machine_share_a_bucket_and_few_are_remembered() -> None:
    buckets = Buckets(1, 0.0, remembered=2)
    assert buckets.take("2001:db8::1", 0) and not buckets.take("2001:db8::2", 0)
    assert buckets.take("10.0.0.1", 0) and not buckets.take("10.0.0.1", 0)
    assert buckets.take("10.0.0.2", 0)  # and the first is forgotten
    assert len(buckets._buckets) == 2
    assert group("::ffff:10.0.0.1") == "10.0.0.1"
    assert group("2001:db8:0:1::7") == "2001:db8:0:1::/64"
    assert group("fe80::1%wlan0") == "fe80::/64"


def test_guesses_are_bounded_for_each_and_for_all() -> None:
    guesses = Guesses()
    tried = 0
    for n in range(100):  # a hundred machines, ten tries each, within a second
        for _ in range(10):
            if guesses.may(f"10.0.0.{n}", n / 100):
                tried += 1
                guesses.wrong(f"10.0.0.{n}", n / 100)
    assert tried == 30
    one = Guesses()
    tried = 0
    for second in range(3600):
        if one.may("10.0.0.1", second):
            tried += 1
            one.wrong("10.0.0.1", second)
    assert tried == pytest.approx(365, abs=5)


# ---- what is shown -------------------------------------------------------------------------------


def port(**more: Any) -> dict[str, Any]:
    return {"port": "Tug", "found": "Tug Box MIDI 1", "state": "open", "trouble": "", **more}


def entry(number: int, label: str, **more: Any) -> dict[str, Any]:
    return {"entry": number, "label": label, "file": "harbour.yaml", "line": 7 + number,
            "bypass": False, "fault": None, **more}  # fmt: skip


STATUS: dict[str, Any] = {
    "rig": "harbour", "song": "storm", "songs": ["calm", "storm"], "coming": 1,
    "transport": {"clock_jitter_us": {"p50": 90, "max": 1200}},
    "input": port(port="Pier", found=None, state="missing", per_second=48.25, gaps=0),
    "input_entries": [entry(1, "thin")],
    "outputs": {
        "tug": port(
            unsent={}, entries=[entry(1, "twice"), entry(2, "twice", bypass=True),
                                entry(3, "swell", fault="ValueError: fog")],
            wire={"last_second": 0.914, "worst_second": 1.2, "dropped": {"control": 2}},
        ),
        "gull": port(port="file:gull.mid", found="/somewhere/gull.mid", unsent={}, entries=[],
                     wire=None),
    },
    "latency_us": {"p50": 60, "p99": 180, "max": 900}, "notes": [],
}  # fmt: skip


def test_the_view_of_a_rig() -> None:
    view = rig_view(copy.deepcopy(STATUS))
    assert (view["rig"], view["song"], view["coming"]) == ("harbour", "storm", "calm")
    assert view["input"] == {"port": "Pier", "state": "missing", "per_second": 48.25}
    tug, gull = view["outputs"]
    assert tug["port"] == "Tug Box MIDI 1" and gull["port"] == "file:gull.mid"
    assert tug["wire"] == {"load": 91, "worst": 120, "dropped": 2} and gull["wire"] is None
    assert [chain["output"] for chain in view["chains"]] == [None, "tug"]
    entries = view["chains"][1]["entries"]
    assert [one["entry"] for one in entries] == [
        1,
        2,
        "swell",
    ]  # a label that is there twice names none
    assert [one["bypassed"] for one in entries] == [False, True, False]
    assert [one["failed"] for one in entries] == [False, False, True]
    assert view["troubles"] == [
        "input: Pier is not there yet; plug it in, it begins by itself",
        "tug: swell (harbour.yaml:10) failed and is left out: ValueError: fog",
    ]
    assert view["figures"] == ["Latency: p50 0.1 ms, p99 0.2 ms", "Clock jitter: p50 0.1 ms"]


@pytest.mark.parametrize(("coming", "shown"), [(None, None), (0, "the rig itself"), (2, "storm")])
def test_the_song_that_comes(coming: int | None, shown: str | None) -> None:
    assert rig_view({**STATUS, "coming": coming})["coming"] == shown


def test_the_view_of_now() -> None:
    away = {"control": "cutoff", "channel": 5, "value": 127, "home": 64}
    still = {"playing": False, "bar": None, "tempo": None}
    tug = {"sounding": [[6, 60], [5, 40], [5, 36]], "notes": 9, "away": [away]}
    assert now_view({"transport": still, "outputs": {"tug": tug}}) == {
        "transport": still,
        "outputs": [{
            "name": "tug", "struck": 9, "away": [away],
            "sounding": [{"channel": 5, "notes": ["C2", "E2"]}, {"channel": 6, "notes": ["C4"]}],
        }],
    }  # fmt: skip


@pytest.mark.parametrize(
    ("control", "shown"),
    [("cutoff", "cutoff"), ("74", "brightness"), ("7", "channel_volume"), ("3", "control 3")],
)
def test_controls_go_by_their_names(control: str, shown: str) -> None:
    """The names of MIDI 1.0's table of controls, where the rig has no other."""
    away = {"control": control, "channel": 5, "value": 127, "home": 64}
    pulse = {"transport": {}, "outputs": {"tug": {"sounding": [], "notes": 0, "away": [away]}}}
    assert now_view(pulse)["outputs"][0]["away"] == [{**away, "control": shown}]


@pytest.mark.parametrize("answer", [{}, {"outputs": 3}, {"outputs": {"tug": None}}])
def test_a_service_of_another_version(answer: dict[str, Any]) -> None:
    for view in (rig_view, now_view):
        with pytest.raises(OtherVersion, match="of another version"):
            view(answer)
    with pytest.raises(OtherVersion):
        rig_view({**STATUS, "coming": 7})


def test_errors_are_kept_with_their_age_and_a_trouble_that_stands_is_one() -> None:
    now = [100.0]
    errors = Errors(lambda: now[0])
    errors.stand(["gull is lost", "tug: 3 messages not sent"])
    assert errors.changed
    now[0] = 107.0
    errors.stand(["gull is lost", "tug: 4 messages not sent"])
    assert [(error["ago_s"], error["line"]) for error in errors.show()] == [
        (7.0, "tug: 3 messages not sent"), (7.0, "gull is lost"),
    ]  # fmt: skip
    assert not errors.changed
    errors.stand([])
    errors.stand(["gull is lost"])
    assert [error["number"] for error in errors.show()] == [3, 2, 1]
    for n in range(20):
        errors.add(f"press {n}")
    assert len(errors.show()) == 8 and errors.show()[0]["line"] == "press 19"
