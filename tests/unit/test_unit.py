"""The systemd unit as text, judged by systemd's own programs, and what `service` refuses.

That it starts, reloads, is restarted and may do what it asks for is tried under a running systemd:
tests/systemd.
"""

from __future__ import annotations

import os
import pwd
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pointsman import load_rig
from pointsman.cli import main
from pointsman.errors import UsageError
from pointsman.live import install, unit
from pointsman.live.unit import Service, rig_of, unit_text

RIG = """\
rig: harbour
input: {port: "null:"}
outputs:
  tug: {port: "null:"}
"""
LIMIT = 2.5
"""The highest exposure that the service may have, of 0 to 10 (systemd-analyze security)."""

PLAIN = Service(Path("/home/kahn/rigs/harbour.yaml"), Path("/home/kahn/.venv/bin/python"), "kahn")


@pytest.fixture
def rig(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A rig in a folder that counts as one the service can see, on a machine without the unit."""
    monkeypatch.setattr(unit, "_HIDDEN", ())
    monkeypatch.setattr(install, "UNIT_PATH", tmp_path / "pointsman.service")
    path = tmp_path / "harbour.yaml"
    path.write_text(RIG)
    return path


# ---- the text ------------------------------------------------------------------------------------


def test_it_runs_the_rig_by_the_interpreter_that_made_it() -> None:
    assert (
        '\nExecStart=:"/home/kahn/.venv/bin/python" -m pointsman.cli run --wait '
        '"/home/kahn/rigs/harbour.yaml"\n' in unit_text(PLAIN)
    )
    assert "\nUser=kahn\n" in unit_text(PLAIN)


@pytest.mark.parametrize(
    "line",
    [
        "Type=notify",
        "WatchdogSec=10",
        "Restart=always",
        "StartLimitIntervalSec=0",
        "ExecReload=kill -HUP $MAINPID",
        "RuntimeDirectoryMode=0700",
        "RuntimeDirectoryPreserve=yes",
        "DeviceAllow=char-alsa rw",
        "SupplementaryGroups=audio",
        "RestrictAddressFamilies=AF_UNIX",
    ],
)
def test_it_has_what_the_service_rests_on(line: str) -> None:
    assert line in unit_text(PLAIN).splitlines()


@pytest.mark.parametrize("word", ["ProcSubset=", "CPUSchedulingPolicy=", "PrivateDevices="])
def test_it_has_nothing_that_would_keep_midi_out_or_us_from_starting(word: str) -> None:
    assert word not in unit_text(PLAIN)


ODD = "/home/kahn/a \"b\" 'c' \\d 100%i ${HOME} $x; #é/harbour.yaml"


def test_an_odd_path_is_quoted_by_the_rules() -> None:
    """systemd.syntax(7): quotes and backslashes; systemd.unit(5): %%; the colon keeps $ as it is
    (systemd.service(5), Command Lines)."""
    text = unit_text(Service(Path(ODD), PLAIN.python, "kahn"))
    assert (
        'run --wait "/home/kahn/a \\"b\\" \'c\' \\\\d 100%%i ${HOME} $x; #é/harbour.yaml"' in text
    )
    assert rig_of(text) == Path(ODD)


@pytest.mark.parametrize("path", ["/home/kahn/a\nUser=root", "/home/kahn/\udcff", "/home/a\tb"])
def test_a_path_that_a_unit_cannot_hold_is_refused(path: str) -> None:
    with pytest.raises(UsageError, match=r"^the rig has characters in its path"):
        unit_text(Service(Path(path), PLAIN.python, "kahn"))


@pytest.mark.parametrize("folder", ["/tmp", "/var/tmp"])
@pytest.mark.parametrize("what", ["rig", "python"])
def test_what_the_sandbox_hides_is_refused(folder: str, what: str) -> None:
    path = Path(folder) / "harbour"
    service = (
        Service(path, PLAIN.python, "kahn")
        if what == "rig"
        else Service(PLAIN.rig, path, "kahn")
    )  # fmt: skip
    with pytest.raises(UsageError, match=rf"^{path}: the .* is below {folder}, where"):
        unit_text(service)


def test_a_unit_of_somebody_else_has_no_rig() -> None:
    assert rig_of("[Service]\nExecStart=/bin/true\nRig=/home/kahn/harbour.yaml\n") is None


# ---- systemd's own judgement ---------------------------------------------------------------------

with_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="needs systemd-analyze (Debian: systemd)"
)


def analyze(tmp_path: Path, *words: str) -> str:
    """What systemd-analyze says of a unit that has all a unit can have."""
    account = next(found.pw_name for found in pwd.getpwall() if found.pw_uid >= 1)
    path = tmp_path / "pointsman.service"
    # any program that is there will do; the Python of a checkout below /tmp would be refused
    service = Service(Path(ODD), Path("/usr/bin/env"), account, (Path("/srv"),), serial=True)
    path.write_text(unit_text(service))
    done = subprocess.run(
        ["systemd-analyze", *words, str(path)],
        env={**os.environ, "SYSTEMD_COLORS": "0", "LC_ALL": "C.UTF-8"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


@with_systemd
def test_systemd_knows_every_line(tmp_path: Path) -> None:
    """An unknown option, or a value that is none, would be a line here."""
    said = analyze(tmp_path, "verify", "--man=no")
    assert [line for line in said.splitlines() if "pointsman" in line] == []


@with_systemd
def test_the_sandbox_leaves_little_open(tmp_path: Path) -> None:
    said = analyze(tmp_path, "security", "--offline=yes", "--no-pager")
    score = re.search(r"Overall exposure level for pointsman.service: ([\d.]+)", said)
    assert score, said
    assert float(score[1]) <= LIMIT


# ---- what the unit depends on --------------------------------------------------------------------


def test_the_owner_of_the_rig_runs_it_unless_told_otherwise(rig: Path) -> None:
    owner = pwd.getpwuid(os.getuid()).pw_name
    assert install.service_for(load_rig(rig), None).user == owner
    other = pwd.getpwuid(0).pw_name
    assert install.service_for(load_rig(rig), other).user == other


def test_the_folders_of_its_recordings_can_be_written(rig: Path) -> None:
    rig.write_text(
        RIG
        + '  log: {port: "file:takes/a.mid"}\n  here: {port: "file:b.tsv"}\n'
        + "songs: {rigs: {storm: songs/storm.yaml}}\n"
    )
    song = rig.parent / "songs" / "storm.yaml"
    song.parent.mkdir()
    song.write_text('input: {port: "null:"}\noutputs: {tug: {port: "file:c.tsv"}}\n')
    service = install.service_for(load_rig(rig), None)
    folder = rig.parent
    assert service.written == (folder, folder / "songs", folder / "takes")
    assert f'\nReadWritePaths="-{folder}/takes"\n' in unit_text(service)


@pytest.mark.parametrize("where", ["input", "output", "song"])
def test_serial_ports_get_their_devices_and_their_group(rig: Path, where: str) -> None:
    port = {where: "serial:/dev/ttyAMA0"}
    song = f'input: {{port: "null:"}}\noutputs: {{tug: {{port: "{port.get("song", "null:")}"}}}}\n'
    (rig.parent / "storm.yaml").write_text(song)
    rig.write_text(
        f'input: {{port: "{port.get("input", "null:")}"}}\n'
        f'outputs: {{tug: {{port: "{port.get("output", "null:")}"}}}}\n'
        "songs: {rigs: {storm: storm.yaml}}\n"
    )
    lines = unit_text(install.service_for(load_rig(rig), None)).splitlines()
    assert "SupplementaryGroups=audio dialout" in lines
    assert [line for line in lines if line.startswith("DeviceAllow=")] == [
        f"DeviceAllow=char-{kind} rw" for kind in ("alsa", "ttyAMA", "ttyS", "ttyUSB", "ttyACM")
    ]


def test_without_serial_ports_only_sound_can_be_reached(rig: Path) -> None:
    lines = unit_text(install.service_for(load_rig(rig), None)).splitlines()
    assert "SupplementaryGroups=audio" in lines
    assert [line for line in lines if line.startswith("DeviceAllow=")] == [
        "DeviceAllow=char-alsa rw"
    ]


def test_a_link_to_tonights_rig_stays_a_link(rig: Path) -> None:
    link = rig.parent / "tonight.yaml"
    link.symlink_to(rig)
    assert install.service_for(load_rig(link), None).rig == link


def test_a_relative_path_becomes_absolute(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(rig.parent)
    assert install.service_for(load_rig("harbour.yaml"), None).rig == rig


# ---- checking as the one who is to run it --------------------------------------------------------


def test_the_rig_is_checked_by_the_account_itself(rig: Path) -> None:
    me = pwd.getpwuid(os.getuid()).pw_name
    assert install.check_as(me, rig) == (True, [f"{rig}: right. Input null:; outputs tug."])
    rig.write_text("outputs: {}\n")
    right, lines = install.check_as(me, rig)
    assert not right
    assert f"{rig}:1:1: 'input' is missing; add it" in lines


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another account")
def test_an_account_that_cannot_read_it_is_found_out(rig: Path) -> None:
    """Either the rig, or the environment itself, where that is closed to others."""
    rig.chmod(0o600)
    try:
        right, lines = install.check_as("nobody", rig)
    except install.ServiceError as error:
        assert re.search(r"'nobody' may not run it|does not start as 'nobody'", str(error))
    else:
        assert not right
        assert "cannot be read: Permission denied" in lines[0]


# ---- the commands --------------------------------------------------------------------------------


def run(*words: str) -> int:
    return main(["service", *words])


def test_unit_prints_it(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("unit", str(rig)) == 0
    printed = capsys.readouterr().out
    assert printed == unit_text(install.service_for(load_rig(rig), None))
    assert f'"{sys.executable}" -m pointsman.cli run --wait "{rig}"' in printed


def test_without_a_rig_it_is_the_one_installed(
    rig: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("unit") == 2
    assert capsys.readouterr().err == (
        "which rig? pointsman.service is not installed yet; name the rig file\n"
    )
    install.UNIT_PATH.write_text(unit_text(Service(rig, PLAIN.python, "kahn")))
    assert run("unit") == 0
    assert f'run --wait "{rig}"' in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["unit", "none.yaml"], 2, "none.yaml:1:1: cannot be read: No such file or directory; "),
        (["install", "none.yaml"], 2, "none.yaml:1:1: cannot be read: No such file or directory; "),
        (["unit", "RIG", "--user", "kahn x"], 2, "there is no account 'kahn x' on this machine\n"),
        (["install", "RIG", "--user", "kahn x"], 2, "there is no account 'kahn x' on this machine"),
        (["install", "WRONG"], 2, "wrong.yaml:1:1: 'input' is missing; "),
    ],
)
def test_what_is_wrong_is_told_before_root_is_asked_for(
    rig: Path, capsys: pytest.CaptureFixture[str], words: list[str], code: int, said: str
) -> None:
    (rig.parent / "wrong.yaml").write_text("outputs: {tug: {port: 'null:'}}\n")
    names = {"RIG": str(rig), "WRONG": str(rig.parent / "wrong.yaml")}
    assert run(*(names.get(word, word) for word in words)) == code
    assert said in capsys.readouterr().err


@pytest.mark.parametrize("words", [["install", "RIG"], ["remove"]])
def test_without_systemd_it_says_so(
    rig: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
) -> None:
    monkeypatch.setattr(install, "BOOTED", rig.parent / "none")
    assert run(*(str(rig) if word == "RIG" else word for word in words)) == 1
    assert capsys.readouterr().err == (
        "this machine is not run by systemd; start 'pointsman run --wait RIG' by what runs it\n"
    )


def test_without_root_it_gives_the_command_to_write(
    rig: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(install, "BOOTED", rig.parent)
    monkeypatch.setattr(shutil, "which", lambda name: name)
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    monkeypatch.setattr(sys, "argv", ["pointsman", "service", "install", "my rig.yaml"])
    assert run("install", str(rig)) == 1
    assert capsys.readouterr().err == (
        "only root may do that; write: "
        f"sudo {sys.executable} -m pointsman.cli service install 'my rig.yaml'\n"
    )


def test_a_unit_that_somebody_wrote_is_left_alone(rig: Path) -> None:
    install.UNIT_PATH.write_text("[Service]\nExecStart=/bin/true\n")
    with pytest.raises(install.ServiceError, match="was not made by 'service install'"):
        install.install(Service(rig, PLAIN.python, "kahn"), start=False)
    with pytest.raises(install.ServiceError, match="was not made by 'service install'"):
        install.remove()
    assert install.UNIT_PATH.read_text() == "[Service]\nExecStart=/bin/true\n"
