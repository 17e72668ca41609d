"""Long work in as many processes as there are processors. They end with whoever waits for it, and print nothing."""

from __future__ import annotations

import multiprocessing
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TypeVar

Job = TypeVar("Job")
Done = TypeVar("Done")


def crew(do: Callable[[Job], Done], jobs: Sequence[Job], workers: int = 0, chunk: int = 1) -> Iterator[Done]:
    """Yield do(job) of each, in the order of the jobs, as soon as it is there. workers: 0, one for each processor."""
    with _unheard():
        pool = multiprocessing.get_context("spawn").Pool(workers or None)
    with pool:
        yield from pool.imap(do, jobs, chunksize=chunk)


@contextmanager
def _unheard() -> Iterator[None]:
    """Processes that begin in here never hear a Ctrl-C, which a terminal sends to all: it is for us alone."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
