"""Ten million messages through a whole live service, as fast as it can: memory must stay flat.

    python tests/soak/ten_million.py [--messages N]

Ports are the script's own, so it runs anywhere; everything else is what a stage has: the callback's
thread, the timer, the steward, the desk with its socket, the state file. Notes, controls, bends,
programs, NRPNs, SysEx, clock, Start and Stop take turns, with notes that overlap. Every million
messages it prints what the process holds.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import structlog
from rigging import Cost

from pointsman.live.paths import bind_control
from pointsman.live.run import SWITCH_S, Run, Wishes
from pointsman.ports.backend import Deliver, Ended, InputPort, OutputPort, PortBackend
from pointsman.registry import Registry
from pointsman.rig_file import load_rig
from pointsman.tables import table

RIG = """\
input: {port: "null:"}
outputs:
  tug:
    port: "null:"
    chain:
      - {plugin: channel_remap, map: {1: 5, 2: [6, 7]}}
      - {plugin: cc_reset, controls: {74: learn, 71: 64}, after: 50ms}
      - {plugin: note_limit, voices: 4}
      - {plugin: lfo, control: 1, channel: 5, rate: 1/2, depth: 40, center: 64}
  gull:
    port: "null:"
    chain:
      - {plugin: cc_map, map: {74: {nrpn: [1, 8]}, 71: {bend: true}}}
      - {plugin: cc_smooth, control: 7}
      - {plugin: cc_thin, per_second: 100}
      - {plugin: note_guard}
safety: {longest_note: 5s, on_transport_stop: release}
"""
STEP = 1_000_000


class Sink(PortBackend, OutputPort, InputPort):
    """A kind of port that the script plays, and that swallows what it is sent."""

    scheme = "sink"
    deliver: Deliver

    def open_input(self, name: str) -> InputPort:
        """This very object."""
        return self

    def open_output(self, name: str) -> OutputPort:
        """This very object."""
        return self

    def start(self, deliver: Deliver, ended: Ended) -> None:
        """Keep what is to be called."""
        self.deliver = deliver
        self.ended = ended

    def send(self, data: bytes, t_ns: int) -> None:
        """Swallow it."""

    def close(self) -> None:
        """Nothing to close."""


def stream() -> Iterator[bytes]:
    """Messages of every kind, never the same stretch twice."""
    n = 0
    while True:
        n += 1
        channel, note = n % 3, 36 + n * 7 % 48
        yield b"\xf8"
        yield bytes((0x90 | channel, note, 1 + n % 127))
        yield bytes((0xB0 | channel, (1, 7, 11, 71, 74)[n % 5], n * 31 % 128))
        yield bytes((0xE0 | channel, n % 128, n // 128 % 128))
        yield bytes((0x80 | (n - 9) % 3, 36 + (n - 9) * 7 % 48, 64))
        if n % 50 == 0:
            yield bytes((0xC0 | channel, n // 50 % 128))
            for number, value in ((99, n % 128), (98, n // 128 % 128), (6, n % 128)):
                yield bytes((0xB0 | channel, number, value))
        if n % 1000 == 0:
            yield b"\xfc"
            yield b"\xf0\x7d" + bytes(n % 100) + b"\xf7"
            yield b"\xfa"


def main() -> None:
    """Play, and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--messages", type=int, default=10 * STEP)
    wanted = parser.parse_args().messages
    sink = Sink()
    rows: list[tuple[str, ...]] = []
    begun_s = time.monotonic()

    def note(count: int) -> None:
        cost = Cost.of(os.getpid())
        spent = f"{time.monotonic() - begun_s:.0f}"
        rows.append(
            (f"{count:,}", spent, f"{cost.memory_kib:,}", f"{cost.threads}", f"{cost.files}")
        )
        print("  ".join(rows[-1]), flush=True)

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "rig.yaml")
        path.write_text(RIG, "utf-8")
        rig = load_rig(path)
        outputs = tuple(replace(spec, port=f"sink:{spec.name}") for spec in rig.outputs)
        rig = replace(rig, input_port="sink:stage", outputs=outputs)
        control = bind_control(Path(folder, "c.sock"))
        registry = Registry(ports={"sink": sink})
        running = Run(rig, registry, structlog.get_logger(), Wishes(control=control))
        running.open()

        def play() -> None:
            while not hasattr(sink, "deliver"):
                time.sleep(0.01)
            for count, data in enumerate(stream()):
                if count % STEP == 0:
                    note(count)
                if count == wanted:
                    break
                sink.deliver(data)
            running.service.stop()

        player = threading.Thread(target=play)
        player.start()
        sys.setswitchinterval(SWITCH_S)
        running.run()
        player.join()
        control.close()
        engine = running.service.engine
        print(table(("messages", "seconds", "KiB", "threads", "files"), rows))
        left = sum(len(output.ledger.sounding) for output in engine.outputs.values())
        print(f"received {engine.received:,}, faults {len(engine.faults)}, left sounding {left}, "
              f"failures {running.service.failures['']}")  # fmt: skip


if __name__ == "__main__":
    main()
