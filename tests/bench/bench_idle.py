"""What a service costs that has nothing to do, and one with four LFOs, in parts of one core.

    python tests/bench/bench_idle.py [--quick] [--null]

The service and its desk, apart and together, beside a bare python-rtmidi callback that waits: the
processor time that /proc/PID/stat has counted over 20 s (it counts in hundredths of a second, so
to 0.05 %), after 5 s in which what starts has settled. All wait at the same time. Both rigs have
five transforms on each of four outputs; in one of them each output has an LFO besides that sends
every 10 ms.

Where there is no ALSA sequencer the ports are `null:`, without a bare callback beside them: then
what it costs to look after plugs, and to hand messages to the system, is not in it.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from contextlib import ExitStack, suppress
from pathlib import Path

from ways import BARE, FIVE, RIG, START_S, WHAT, Way, lacking, run_rig, running, write_rig

from pointsman.live.client import NoService, ask
from pointsman.tables import table

LFO = "      - {plugin: lfo, control: 1, channel: 5, rate: 2Hz, depth: 127, center: 64, "
LFO += "interval: 10ms}\n"
OUTPUTS = 4
SETTLE_S = 5.0
RIGS = {"idle": FIVE, "four LFOs": FIVE + LFO}


def processor_s(pid: int) -> float:
    """The processor time of a process and all its threads so far (proc(5): utime and stime)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def desk_of(service: int, rig: Path) -> int:
    """The process of a service's desk, once it answers."""
    deadline = time.monotonic() + START_S
    while time.monotonic() < deadline:
        with suppress(NoService):
            ask({"do": "status"}, rig.with_suffix(".sock"))
            return int(Path(f"/proc/{service}/task/{service}/children").read_text().split()[0])
        time.sleep(0.2)
    raise SystemExit("the service does not answer")


def measure(seconds: float, real_ports: bool) -> dict[str, tuple[float, ...]]:
    """For each program, what it and what its desk take of one core."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        pids: dict[str, list[int]] = {}
        if real_ports:
            way = Way(BARE, OUTPUTS)
            script = str(Path(__file__).with_name("ways.py"))
            command = [sys.executable, script, way.in_name, *way.out_names]
            pids[WHAT[BARE]] = [stack.enter_context(running(command, real_time=True)).pid]
        for name, chain in RIGS.items():
            port = "virtual:{}" if real_ports else "null:"
            rig = write_rig(Way(RIG, OUTPUTS, name), folder, chain, port)
            service = stack.enter_context(running(run_rig(rig))).pid
            pids[name] = [service, desk_of(service, rig)]
        time.sleep(SETTLE_S)
        begun_s = time.monotonic()
        before = {name: [processor_s(pid) for pid in some] for name, some in pids.items()}
        time.sleep(seconds)
        after = {name: [processor_s(pid) for pid in some] for name, some in pids.items()}
        took_s = time.monotonic() - begun_s
    return {
        name: tuple((b - a) / took_s for a, b in zip(before[name], after[name], strict=True))
        for name in pids
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="two seconds, to see that it runs")
    parser.add_argument("--null", action="store_true", help="null: ports, whatever there is")
    options = parser.parse_args()
    seconds = 2 if options.quick else 20
    if (why := "so you say" if options.null else lacking()) is not None:
        print(f"null: ports instead of the system's: {why}")
    rows = []
    for name, parts in measure(seconds, why is None).items():
        apart = [f"{part:.2%}" for part in parts] + ["-"] * (2 - len(parts))
        rows.append((name, *apart, f"{sum(parts):.2%}"))
    heads = ("what", "it", "its desk", "together")
    print(f"Of one core, over {seconds} s, doing nothing\n{table(heads, rows)}")


if __name__ == "__main__":
    main()
