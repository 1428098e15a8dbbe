"""What Python keeps for a thread that is not its own, kept between that thread's calls.

For a call from such a thread Python makes a thread state and maps memory for a stack, and it
throws both away afterwards: a seventh of the time that a bare callback takes to send a message on.
One `PyGILState_Ensure` without its `PyGILState_Release` keeps them (docs.python.org, C API,
"Non-Python created threads"). The thread ends without giving them back, so somebody else must:
4 KiB and more for each port that was opened would add up.
"""

from __future__ import annotations

import ctypes
import threading

_api = ctypes.pythonapi
_api.PyThreadState_Get.restype = ctypes.c_void_p
_api.PyThreadState_Clear.argtypes = (ctypes.c_void_p,)
_api.PyThreadState_Delete.argtypes = (ctypes.c_void_p,)


def keep() -> int:
    """Keep the state of the calling thread, whose next call finds it ready; returns its address."""
    _api.PyGILState_Ensure()
    return int(_api.PyThreadState_Get())


def free(address: int) -> None:
    """Give back what `keep` kept, once for each, when the thread has ended and been joined.

    In a short-lived thread of its own: from 3.12 on, Python forgets the state of the thread that
    deletes another's (it clears that thread's own entry, not the dead one's). A thread that ends
    right away has no more use for the entry.
    """
    worker = threading.Thread(target=_delete, args=(address,), name="free a thread state")
    worker.start()
    worker.join()


def _delete(address: int) -> None:
    _api.PyThreadState_Clear(address)
    _api.PyThreadState_Delete(address)
