"""Long work in as many processes as there are processors. They end with whoever waits for it, and print nothing."""

from __future__ import annotations

import multiprocessing
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from multiprocessing import resource_tracker
from typing import TypeVar

Job = TypeVar("Job")
Done = TypeVar("Done")


def crew(do: Callable[[Job], Done], jobs: Sequence[Job], workers: int = 0, chunk: int = 1) -> Iterator[Done]:
    """Yield do(job) of each, in the order of the jobs, as soon as it is there. workers: 0, one for each processor."""
    with ExitStack() as stack:
        # A Ctrl-C goes to all processes of a terminal, and is for us alone. What is blocked when a process begins stays
        # blocked in it; here it only waits, and is heard when all of them are there.
        deaf = threading.current_thread() is threading.main_thread() and hasattr(signal, "pthread_sigmask")
        if deaf:
            resource_tracker.ensure_running()  # its start would unblock it again
            before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
            stack.callback(signal.pthread_sigmask, signal.SIG_SETMASK, before)
        pool = stack.enter_context(multiprocessing.get_context("spawn").Pool(workers or None))
        if deaf:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
        yield from pool.imap(do, jobs, chunksize=chunk)
