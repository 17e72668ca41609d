"""What ends a command that runs for hours: SIGTERM and a closed terminal, as Ctrl-C does."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def end_on_signals() -> Iterator[None]:
    """SIGTERM and a closed terminal end what is on as Ctrl-C does: the line is released first.

    Where SIGHUP is ignored already (`nohup`) it stays so. A second SIGHUP changes nothing: they come in pairs.
    """
    hung_up = False

    def leave(number: int, _frame: object) -> None:
        nonlocal hung_up
        if number == signal.SIGHUP and hung_up:
            return
        hung_up = hung_up or number == signal.SIGHUP
        raise KeyboardInterrupt

    wanted = [signal.SIGTERM]
    if signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:
        wanted.append(signal.SIGHUP)
    before = {number: signal.signal(number, leave) for number in wanted}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
