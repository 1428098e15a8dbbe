"""The installed service under a running systemd, on real ports: from install to remove.

The tests build on each other's machine but not on each other: each begins with the service running.
"""

from __future__ import annotations

import json
import os
import re
import stat
from pathlib import Path

import pytest
from box import (
    HOME,
    PLAYER,
    UNIT,
    children,
    events,
    is_ready,
    log,
    main_pid,
    make_account,
    make_environment,
    on_systemd,
    ran,
    restarts,
    run,
    said,
    show,
    status_kb,
    threads,
    write,
)

from alsa.inside.sequencer import SequencerPort, card_ports, raw_recording, send_raw, until
from pointsman.live.unit import rig_of

pytestmark = on_systemd

RIG = HOME / "a \"b\" 'c' \\d 100%i ${HOME} $x; #é" / "harbour.yaml"
"""In a folder whose name has all that means something to systemd (systemd.syntax(7))."""

UNIT_FILE = Path("/etc/systemd/system") / UNIT
RUNTIME = Path("/run/pointsman")
NOTE_ON, NOTE_OFF = bytes((0x90, 60, 100)), bytes((0x80, 60, 64))


def rig(source: str, sink: str, channel: int = 5) -> str:
    return f"""\
rig: harbour
input: {{port: "{source}"}}
outputs:
  tug:
    port: "{sink}"
    chain: [{{plugin: channel_remap, map: {{1: {channel}}}}}]
  log:
    port: "file:takes/take.tsv"
"""


@pytest.fixture(scope="module")
def cards() -> list[SequencerPort]:
    """The sequencer's card, and the synth's."""
    return card_ports()


@pytest.fixture(scope="module")
def python() -> Path:
    make_account()
    return make_environment(HOME / "pointsman" / ".venv")


@pytest.fixture
def service(cards: list[SequencerPort], python: Path) -> Path:
    """The service, installed and running; the interpreter that installed it."""
    wanted = rig(cards[0].name, cards[1].name)
    is_as_it_was = RIG.exists() and RIG.read_text() == wanted
    (RIG.parent / "takes").mkdir(parents=True, exist_ok=True)
    write(RIG, wanted)
    if not UNIT_FILE.exists() or rig_of(UNIT_FILE.read_text()) != RIG:
        done = run(python, "-m", "pointsman.cli", "service", "install", RIG, "--now")
        assert done.returncode == 0, f"{done.stdout}{done.stderr}{ran('journalctl', '-u', UNIT)}"
    elif not (is_as_it_was and is_ready()):
        ran("systemctl", "restart", UNIT)
    return python


def heard(cards: list[SequencerPort], tmp_path: Path, data: bytes) -> bytes:
    """What the synth gets of what the sequencer sends, with a note that marks its end."""
    with raw_recording(cards[1].card or 0, tmp_path) as got:
        send_raw(cards[0].card or 0, data)
    return bytes(got)


# ---- install -------------------------------------------------------------------------------------


def test_install_starts_it_and_waits_until_it_is_ready(
    service: Path, cards: list[SequencerPort], tmp_path: Path
) -> None:
    assert show("Type", "ActiveState", "SubState", "User", "NRestarts", "StatusText") == [
        "notify", "active", "running", PLAYER, "0", "rig harbour",
    ]  # fmt: skip
    assert ran("systemctl", "is-enabled", UNIT) == "enabled\n"
    assert heard(cards, tmp_path, NOTE_ON + NOTE_OFF) == bytes((0x94, 60, 100, 0x84, 60, 64))
    assert stat.S_IMODE(UNIT_FILE.stat().st_mode) == 0o644
    assert run("systemd-analyze", "verify", UNIT).stderr == ""


def test_its_exposure_is_low(service: Path) -> None:
    said = ran("systemd-analyze", "security", "--no-pager", UNIT)
    score = re.search(rf"Overall exposure level for {UNIT}: ([\d.]+)", said)
    assert score, said
    print(f"\nexposure: {score[1]}")
    assert float(score[1]) <= 2.5


def test_real_time_and_locked_memory_are_granted(service: Path) -> None:
    pid = main_pid()
    found = threads(pid)
    assert len(found) >= 3  # the timer, the steward, and the port's own
    assert {policy for policy, _ in found} == {os.SCHED_FIFO}
    assert status_kb(pid, "VmLck:") > 10_000
    assert [line for line in log() if "real" in line["event"]] == []


def test_what_formats_and_serves_is_an_ordinary_process(service: Path) -> None:
    others = children(main_pid())
    assert others
    assert {policy for pid in others for policy, _ in threads(pid)} == {os.SCHED_OTHER}


def test_only_the_account_reaches_the_socket(service: Path) -> None:
    found = {
        path.name: (path.owner(), stat.S_IMODE(path.stat().st_mode))
        for path in (RUNTIME, RUNTIME / "control.sock")
    }
    assert found == {"pointsman": (PLAYER, 0o700), "control.sock": (PLAYER, 0o600)}


def test_the_log_is_json_in_the_journal(service: Path) -> None:
    lines = [json.loads(line) for line in said()]
    assert [line["rig"] for line in lines if line["event"] == "ready"] == ["harbour"]


# ---- reload --------------------------------------------------------------------------------------


def test_reload_takes_the_new_rig_and_the_same_process(
    service: Path, cards: list[SequencerPort], tmp_path: Path
) -> None:
    pid, before = main_pid(), events().count("reloaded")
    write(RIG, rig(cards[0].name, cards[1].name, channel=9))
    ran("systemctl", "reload", UNIT)
    until(lambda: events().count("reloaded") > before, "the new rig")
    assert heard(cards, tmp_path, NOTE_ON + NOTE_OFF) == bytes((0x98, 60, 100, 0x88, 60, 64))
    assert main_pid() == pid
    until(is_ready, "ready after the reload")


def test_a_faulty_rig_changes_nothing(
    service: Path, cards: list[SequencerPort], tmp_path: Path
) -> None:
    pid = main_pid()
    write(RIG, "outputs: {tug: {prot: 'null:'}}\n")
    ran("systemctl", "reload", UNIT)
    until(lambda: any("not reloaded" in event for event in events()), "the refusal")
    assert heard(cards, tmp_path, NOTE_ON + NOTE_OFF) == bytes((0x94, 60, 100, 0x84, 60, 64))
    until(is_ready, "ready after the refusal")
    assert main_pid() == pid


# ---- whatever happens ----------------------------------------------------------------------------


def test_one_that_is_killed_is_back_and_ends_what_it_left_sounding(
    service: Path, cards: list[SequencerPort], tmp_path: Path
) -> None:
    pid, before = main_pid(), restarts()
    send_raw(cards[0].card or 0, NOTE_ON)
    state = RUNTIME / "control.state"
    until(lambda: state.exists() and state.stat().st_size > 0, "the state file")
    with raw_recording(cards[1].card or 0, tmp_path) as got:
        ran("systemctl", "kill", "-s", "KILL", UNIT)
        until(lambda: is_ready(but=pid), "the next one")
    assert restarts() == before + 1
    assert bytes((0x84, 60, 64)) in bytes(got)


def test_one_that_hangs_is_replaced_by_the_watchdog(service: Path) -> None:
    pid, before = main_pid(), restarts()
    os.kill(pid, 19)  # SIGSTOP: it neither feeds the watchdog nor heeds a SIGTERM
    until(lambda: is_ready(but=pid), "the next one")
    assert restarts() == before + 1
    assert "watchdog" in ran("journalctl", "-u", UNIT, "-n", "40").lower()


def test_it_keeps_trying_for_ever(service: Path, cards: list[SequencerPort]) -> None:
    """systemd's own default gives up after 5 starts within 10 seconds (StartLimitBurst)."""
    added = Path(f"/run/systemd/system/{UNIT}.d/fails.conf")
    added.parent.mkdir(parents=True)
    added.write_text("[Service]\nExecStart=\nExecStart=/bin/false\nRestartSec=100ms\n")
    ran("systemctl", "daemon-reload")
    assert run("systemctl", "restart", UNIT).returncode != 0
    until(lambda: restarts() > 6, "so many tries")
    write(RIG, "outputs: {}\n")
    added.unlink()
    ran("systemctl", "daemon-reload")
    until(lambda: said()[-1].startswith(f"{RIG}:1:"), "a try with a faulty rig")
    write(RIG, rig(cards[0].name, cards[1].name))
    until(is_ready, "the one that finds the rig mended")


def test_it_starts_without_its_synth_and_opens_it_when_it_comes(
    service: Path, cards: list[SequencerPort], tmp_path: Path
) -> None:
    write(RIG, rig(cards[0].name, "Gull Box"))
    ran("systemctl", "restart", UNIT)
    assert is_ready()
    assert "port missing" in events()
    ran("usbmidi", "plug", "Gull Box")
    until(lambda: events()[-1] == "output opened", "the synth")
    ran("usbmidi", "unplug", "Gull Box")


# ---- install anew, and paths and accounts --------------------------------------------------------


def test_without_a_rig_it_installs_the_one_that_was_installed(service: Path) -> None:
    unit = UNIT_FILE.read_text()
    UNIT_FILE.write_text(unit + "\n# an older version\n")
    ran(service, "-m", "pointsman.cli", "service", "install")
    assert UNIT_FILE.read_text() == unit


def test_a_player_is_told_to_write_sudo(service: Path) -> None:
    done = run("runuser", "-u", PLAYER, "--", service, "-m", "pointsman.cli", "service", "remove")
    assert (done.returncode, done.stderr) == (
        1,
        f"only root may do that; write: sudo {service} -m pointsman.cli service remove\n",
    )


def test_a_rig_that_the_account_cannot_read_is_refused(service: Path, tmp_path: Path) -> None:
    secret = Path("/srv/harbour.yaml")
    secret.write_text(RIG.read_text())
    secret.chmod(0o600)
    before = UNIT_FILE.read_text()
    install = (service, "-m", "pointsman.cli", "service", "install", secret, "--user", PLAYER)
    done = run(*install)
    assert done.returncode == 2
    assert done.stderr.startswith(f"{secret}:1:1: cannot be read: Permission denied")
    assert UNIT_FILE.read_text() == before


def test_an_environment_that_the_account_cannot_read_is_refused(service: Path) -> None:
    hidden = Path("/root/pointsman")
    hidden.parent.chmod(0o700)
    hidden.symlink_to(HOME / "pointsman" / ".venv")
    install = (hidden / "bin" / "python", "-m", "pointsman.cli", "service", "install", RIG)
    done = run(*install)
    hidden.unlink()
    assert (done.returncode, done.stderr) == (
        1,
        f"{hidden}/bin/python: '{PLAYER}' may not run it; make the environment in a folder that "
        "the account can read, such as its home\n",
    )


# ---- the end -------------------------------------------------------------------------------------


def test_it_ends_in_peace_with_its_recording_and_its_folder(
    service: Path, cards: list[SequencerPort]
) -> None:
    send_raw(cards[0].card or 0, NOTE_ON + NOTE_OFF)
    ran("systemctl", "stop", UNIT)
    assert show("ActiveState", "Result", "ExecMainStatus") == ["inactive", "success", "0"]
    assert events()[-1] == "ended"
    assert "\t90 3C 64\n" in (RIG.parent / "takes" / "take.tsv").read_text()
    assert RUNTIME.is_dir()


def test_remove_takes_all_of_it_away(python: Path) -> None:
    remove = (python, "-m", "pointsman.cli", "service", "remove")
    assert ran(*remove) == f"{UNIT} is gone.\n"
    assert show("LoadState", "ActiveState") == ["not-found", "inactive"]
    assert not UNIT_FILE.exists()
    assert not RUNTIME.exists()
    assert ran(*remove) == f"{UNIT} is not installed; nothing to remove.\n"
