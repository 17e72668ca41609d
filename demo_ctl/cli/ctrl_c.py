"""Ctrl-C outside a call: a KeyboardInterrupt that is sure to be heard."""

from __future__ import annotations

import signal
from types import FrameType

#: Python drops an exception that is raised in one of its own callbacks ("Exception ignored in ..."); the import
#: machinery has such callbacks, finalisers too. A Ctrl-C that falls there is heard this much later.
_AGAIN_S = 0.005


def listen() -> None:
    """Take Ctrl-C over from Python, except where a shell had it ignored (`&`)."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _ctrl_c)


def _ctrl_c(_number: int, frame: FrameType | None) -> None:
    """Raise KeyboardInterrupt, now or as soon as nothing would drop it."""
    if hasattr(signal, "setitimer") and _may_be_dropped(frame):
        signal.signal(signal.SIGALRM, _ctrl_c)
        signal.setitimer(signal.ITIMER_REAL, _AGAIN_S)
        return
    raise KeyboardInterrupt


def _may_be_dropped(frame: FrameType | None) -> bool:
    """Whether something is being imported or finalised: an exception raised here might never reach anybody."""
    while frame is not None:
        if frame.f_code.co_filename.startswith("<frozen importlib") or frame.f_code.co_name == "__del__":
            return True
        frame = frame.f_back
    return False
