"""Real-time scheduling and locked memory, granted and refused by this machine's own kernel.

Each case runs in a process of its own, since what is asked for holds for all of it.
"""

from __future__ import annotations

import ctypes
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from pointsman.live import realtime

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="only Linux has what it asks for")

PREFACE = """
import json, os, subprocess, sys, threading
from resource import RLIMIT_MEMLOCK, RLIMIT_RTPRIO, setrlimit
import ctypes  # while it can still be read
from pointsman.live.realtime import be_ordinary, go_real_time

def limit(kind, soft, hard):
    try:
        setrlimit(kind, (soft, hard))
    except ValueError:  # above the hard limit, without the right to raise it
        print(json.dumps("no right"))
        sys.exit()

def drop_rights():
    if os.geteuid() == 0:
        os.setgroups([])
        os.setgid(65534)
        os.setuid(65534)

def field(name):
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) for line in status if line.startswith(name))

def policies():
    return sorted({(os.sched_getscheduler(int(t)), os.sched_getparam(int(t)).sched_priority)
                   for t in os.listdir("/proc/self/task")})
"""
GRANTS_NOTHING = (
    ["no real-time scheduling: Operation not permitted; 'pointsman service install' sets it up; "
     "without it, '@audio - rtprio 60' in /etc/security/limits.d/",
     "no locked memory: there is a limit on it; 'pointsman service install' sets it up; "
     "without it, '@audio - memlock unlimited' in /etc/security/limits.d/"]
)  # fmt: skip


def outcome(body: str) -> Any:
    """What a process prints that runs this after the preface."""
    done = subprocess.run(
        [sys.executable, "-c", PREFACE + body], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    if (printed := json.loads(done.stdout)) == "no right":
        pytest.skip("needs the right to raise limits (CAP_SYS_RESOURCE)")
    return printed


def test_each_refusal_is_a_line_that_says_how_to_allow_it() -> None:
    assert (
        outcome("""
limit(RLIMIT_RTPRIO, 0, 0)
limit(RLIMIT_MEMLOCK, 65536, 65536)
drop_rights()
print(json.dumps(go_real_time()))
""")
        == GRANTS_NOTHING
    )


def _free(limit: str, capability: int) -> bool:
    """Whether this process may have as much as it likes: by its limit, or by a right of root."""
    if sys.platform != "linux":
        return False
    import resource

    status = Path("/proc/self/status").read_text("utf-8")
    held = int(status.partition("\nCapEff:")[2].split()[0], 16)
    return bool(held >> capability & 1) or resource.getrlimit(getattr(resource, limit))[1] == -1


may_schedule = pytest.mark.skipif(
    not _free("RLIMIT_RTPRIO", 23), reason="needs CAP_SYS_NICE, or rtprio without a limit"
)
may_lock = pytest.mark.skipif(
    not _free("RLIMIT_MEMLOCK", 14), reason="needs CAP_IPC_LOCK, or memlock without a limit"
)


@may_schedule
def test_every_thread_gets_it_those_that_run_and_those_that_come() -> None:
    lines, found = outcome("""
over = threading.Event()
threads = [threading.Thread(target=over.wait) for _ in range(2)]
threads[0].start()
lines = go_real_time()
threads[1].start()
print(json.dumps([lines, policies()]))
over.set()
""")
    assert not [line for line in lines if "scheduling" in line]
    assert found == [[os.SCHED_FIFO, realtime.PRIORITY]]


@may_schedule
def test_a_lower_limit_is_used_as_far_as_it_goes() -> None:
    assert outcome("""
limit(RLIMIT_RTPRIO, 0, 10)  # as a login may have it: to be raised by ourselves
drop_rights()
go_real_time()
print(json.dumps(policies()))
""") == [[os.SCHED_FIFO, 10]]


@may_schedule
def test_a_child_process_takes_itself_back() -> None:
    """It inherits the scheduling, and must not compete with MIDI."""
    assert outcome("""
go_real_time()
code = "import os; print(os.sched_getscheduler(0)); "
back = "from pointsman.live.realtime import be_ordinary; be_ordinary(); " + code
print(json.dumps([int(x) for x in subprocess.run(
    [sys.executable, "-c", code + back], capture_output=True, text=True).stdout.split()]))
""") == [os.SCHED_FIFO, os.SCHED_OTHER]


@may_lock
def test_memory_is_locked_as_it_is_touched_and_not_brought_in_whole() -> None:
    lines, locked_kb, resident_kb, later_kb = outcome("""
lines = go_real_time()
locked, resident = field("VmLck:"), field("VmRSS:")
more = bytearray(20_000_000)
print(json.dumps([lines, locked, resident, field("VmLck:")]))
""")
    assert not [line for line in lines if "memory" in line]
    assert locked_kb > resident_kb  # what is locked is what is mapped; far less is there
    assert later_kb >= locked_kb + 19_000  # and so is what is mapped later


def test_memory_is_not_locked_below_a_limit() -> None:
    """mlockall(2): with MCL_FUTURE what is mapped later may fail, and that is any allocation."""
    lines, locked_kb = outcome("""
limit(RLIMIT_MEMLOCK, 1 << 30, 1 << 30)  # there would be room for what is mapped now
drop_rights()
print(json.dumps([go_real_time(), field("VmLck:")]))
""")
    assert GRANTS_NOTHING[1] in lines
    assert locked_kb == 0


def test_elsewhere_it_says_that_there_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "darwin")
    assert realtime.go_real_time() == [
        "no real-time scheduling and no locked memory: only Linux has what they take"
    ]
    realtime.be_ordinary()


ARENAS = """\
import ctypes, sys, threading
from pointsman.live.realtime import go_real_time

libc = ctypes.CDLL(None)
libc.malloc.restype = libc.fopen.restype = ctypes.c_void_p
if sys.argv[2] == "real time":
    go_real_time()
there = threading.Barrier(5)

def take():
    there.wait()  # all at once, so that none can have the arena of one that has ended
    libc.malloc(ctypes.c_size_t(1000))
    there.wait()

threads = [threading.Thread(target=take) for _ in range(5)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
file = ctypes.c_void_p(libc.fopen(sys.argv[1].encode(), b"w"))
libc.malloc_info(0, file)
libc.fclose(file)
"""


@pytest.mark.skipif(not hasattr(ctypes.CDLL(None), "malloc_info"), reason="needs the GNU C library")
def test_threads_share_one_arena(tmp_path: Path) -> None:
    """As the C library itself tells (malloc_info(3)); without it each thread has its own."""
    arenas = {}
    for how in ("real time", "not"):
        out = tmp_path / how
        subprocess.run([sys.executable, "-c", ARENAS, str(out), how], check=True)
        arenas[how] = out.read_text("utf-8").count("<heap nr=")
    assert arenas["real time"] == 1 < arenas["not"]
