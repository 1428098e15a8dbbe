"""What Python keeps for a thread of a library is kept between its calls, and given back."""

from __future__ import annotations

import ctypes
import sys

import pytest

from pointsman.ports import thread_state

if not sys.platform.startswith("linux"):
    pytest.skip("makes threads with the C library of Linux", allow_module_level=True)

C = ctypes.CDLL(None)
CALLBACK = ctypes.CFUNCTYPE(ctypes.c_void_p, ctypes.c_void_p)


def states() -> int:
    """How many thread states the interpreter has."""
    api = ctypes.pythonapi
    for name in ("PyInterpreterState_Get", "PyInterpreterState_ThreadHead", "PyThreadState_Next"):
        getattr(api, name).restype = ctypes.c_void_p
    count = 0
    state = api.PyInterpreterState_ThreadHead(ctypes.c_void_p(api.PyInterpreterState_Get()))
    while state:
        count += 1
        state = api.PyThreadState_Next(ctypes.c_void_p(state))
    return count


def own_state() -> int | None:
    """The state that Python has on record for the calling thread."""
    get = ctypes.pythonapi.PyGILState_GetThisThreadState
    get.restype = ctypes.c_void_p
    found: int | None = get()
    return found


def foreign(call: object) -> None:
    """Call it on a thread that Python does not know, to that thread's end."""
    thread = ctypes.c_ulong()
    assert C.pthread_create(ctypes.byref(thread), None, call, None) == 0
    assert C.pthread_join(thread, None) == 0  # lets go of the interpreter lock meanwhile


def test_a_kept_state_stays_until_it_is_freed() -> None:
    kept: list[int] = []

    def keep(_: object) -> None:
        kept.append(thread_state.keep())

    call = CALLBACK(keep)

    before = states()
    foreign(call)
    assert states() == before + 1  # the thread has gone, and its state has not
    thread_state.free(kept.pop())
    assert states() == before


def test_hundreds_are_freed_and_the_freeing_thread_keeps_its_own() -> None:
    kept: list[int] = []

    def keep(_: object) -> None:
        kept.append(thread_state.keep())

    call = CALLBACK(keep)

    before, own = states(), own_state()
    for _ in range(300):
        foreign(call)
        thread_state.free(kept.pop())
    assert states() == before
    assert own_state() == own
