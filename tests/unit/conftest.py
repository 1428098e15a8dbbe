"""What tests may ask for: a machine with a MIDI system, or ports of their own."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from kernel_kit import Kernel
from midi_kit import Library, Sequencer
from quay import Quay

from pointsman import io_alsa, io_rtmidi
from pointsman.ports import alsa_clients, thread_state, usb


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Kernel]:
    """The sequencer, as the kernel answers for it."""
    kernel = Kernel(tmp_path)
    monkeypatch.setattr(io_alsa, "open_sequencer", kernel.open)
    monkeypatch.setattr(io_alsa, "fcntl", SimpleNamespace(ioctl=kernel.ioctl))
    yield kernel
    kernel.close()


@pytest.fixture
def library(
    monkeypatch: pytest.MonkeyPatch, sequencer: Sequencer, kernel: Kernel, tmp_path: Path
) -> Library:
    """A machine with a MIDI system, whose kernel shows no list of clients unless told to."""
    library = Library()
    monkeypatch.setitem(sys.modules, "rtmidi", library)
    monkeypatch.setattr(sys, "platform", "linux")
    device = tmp_path / "seq"
    device.touch()
    monkeypatch.setattr(io_rtmidi, "SEQUENCER", str(device))
    listers = {is_input: io_rtmidi._Lister(is_input=is_input) for is_input in (True, False)}
    monkeypatch.setattr(io_rtmidi, "_listers", listers)
    # what is done to the library's thread is not done to the one that runs the tests
    monkeypatch.setattr(thread_state, "keep", lambda: 4711)
    monkeypatch.setattr(
        thread_state, "free", lambda address: library.calls.append(("free", address))
    )
    return library


@pytest.fixture
def sequencer(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Sequencer:
    """What the kernel shows of the sequencer and of USB: nothing at first."""
    sequencer = Sequencer(tmp_path)
    monkeypatch.setattr(alsa_clients, "CLIENTS", sequencer.clients)
    monkeypatch.setattr(alsa_clients, "_last", (-1.0, None))
    monkeypatch.setattr(usb, "SOUND", sequencer.sound)
    return sequencer


@pytest.fixture
def quay() -> Quay:
    """Ports of the test's own."""
    return Quay()
