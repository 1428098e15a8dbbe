"""Real-time scheduling and locked memory, where the system grants them.

Both serve one end: a message that comes in is dealt with now. SCHED_FIFO runs our threads before
all ordinary programs (sched(7)); locked memory keeps our pages from the disk (mlock(2)).
"""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from pathlib import Path

PRIORITY = 48
"""The real-time priority, of 1 to 99: just below the kernel's interrupt threads (50 by default:
sched_set_fifo in kernel/sched), so that whatever we do a byte still gets in from the wire."""

MCL_CURRENT, MCL_FUTURE, MCL_ONFAULT = 1, 2, 4
"""<asm-generic/mman.h>; the processors that small computers have (ARM, x86, RISC-V) share them."""

_CAP_IPC_LOCK = 1 << 14
"""<linux/capability.h>: no limit holds for the memory that this process locks."""

_HOW = "'pointsman service install' sets it up; without it, {line} in /etc/security/limits.d/"


_M_ARENA_MAX = -8
"""<malloc.h> of glibc."""


def go_real_time() -> list[str]:
    """Ask for both; returns one line for each that was refused, with how to allow it.

    The scheduling holds for every thread of this process, and for all that are started later. The
    flag that would keep it from child processes (SCHED_RESET_ON_FORK) keeps it from new threads
    too, and so from those on which a port that was plugged in again brings MIDI; hence a child
    process calls `be_ordinary` by itself. Every thread has the same priority: an ordinary one that
    holds Python's lock would hold up the MIDI threads for as long as other programs like.
    """
    _share_one_arena()
    refused = (_schedule(), _lock_memory())
    return list(dict.fromkeys(line for line in refused if line))


def _share_one_arena() -> None:
    """Have the C library take memory for every thread from one place (mallopt(3), M_ARENA_MAX).

    By default each new thread may get an arena of its own, and what one held stays behind in it.
    Each port that is plugged in again brings a thread: 190 replugs took 4.5 MB. Threads that wait
    for Python's lock seldom wait for the arena as well.
    """
    with suppress(ImportError, OSError, AttributeError):  # refused, or no glibc
        import ctypes

        ctypes.CDLL(None).mallopt(_M_ARENA_MAX, 1)


def be_ordinary() -> None:
    """Take this thread, and those that it starts, back to ordinary scheduling: always granted.

    For a child process, which inherits the scheduling but does nothing that is urgent.
    """
    if sys.platform == "linux":
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


def _schedule() -> str | None:
    if sys.platform != "linux":
        return "no real-time scheduling and no locked memory: only Linux has what they take"
    import resource

    granted = _raised(resource.RLIMIT_RTPRIO)
    priority = min(PRIORITY, granted) if granted > 0 else PRIORITY  # root has no limit
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(priority))
        for thread in _threads():
            with suppress(ProcessLookupError):  # it has just ended
                os.sched_setscheduler(thread, os.SCHED_FIFO, os.sched_param(priority))
    except OSError as error:
        how = _HOW.format(line="'@audio - rtprio 60'")
        return f"no real-time scheduling: {error.strerror}; {how}"
    return None


def _threads() -> list[int]:
    """The kernel's numbers of our threads; those of libraries count too. None where unseen."""
    try:
        return [int(name) for name in os.listdir("/proc/self/task")]
    except OSError:
        return []


def _lock_memory() -> str | None:
    """Lock what is mapped, now and later, page by page as it is touched.

    Without MCL_ONFAULT every stack and library would be brought in whole: a hundred megabytes that
    nobody uses, on a board that may have 512. And it is only done without a limit: MCL_FUTURE below
    one makes allocations fail that have nothing to do with MIDI, in the middle of a set.
    """
    if sys.platform != "linux":
        return None
    import resource

    how = _HOW.format(line="'@audio - memlock unlimited'")
    if _raised(resource.RLIMIT_MEMLOCK) != resource.RLIM_INFINITY and not _may_lock_all():
        return f"no locked memory: there is a limit on it; {how}"
    try:
        import ctypes  # here, as a hardened system may refuse it

        libc = ctypes.CDLL(None, use_errno=True)
        if libc.mlockall(MCL_CURRENT | MCL_FUTURE | MCL_ONFAULT) == 0:
            return None
        why = os.strerror(ctypes.get_errno())
    except (ImportError, OSError, MemoryError, AttributeError) as error:
        why = str(error) or type(error).__name__
    return f"no locked memory: {why}; {how}"


def _raised(limit: int) -> int:
    """The limit, after asking for all that this process may ask for."""
    import resource

    soft, hard = resource.getrlimit(limit)
    if soft == hard:
        return hard
    try:
        resource.setrlimit(limit, (hard, hard))
    except (OSError, ValueError):
        return soft
    return hard


def _may_lock_all() -> bool:
    try:
        status = Path("/proc/self/status").read_text("utf-8", "replace")
    except OSError:
        return False
    held = status.partition("\nCapEff:")[2].split(maxsplit=1)
    return bool(held) and bool(int(held[0], 16) & _CAP_IPC_LOCK)
