"""Commands as processes of their own, started quickly: a process that has loaded everything once forks for each.

Half of what a short command takes is loading numpy, pydantic and rich; some hundreds of commands are run here. What is
forked has its own argument list, environment, folder, standard streams and exit code. It differs from a fresh start in
what the interpreter takes from its environment as it starts (alphabet of its streams, buffering, the seed of hashes),
and in that one runs at a time; streams that are closed, alphabets and signals while it loads are tested by those that
start `python -m demo_ctl`.
"""

from __future__ import annotations

import atexit
import gc
import json
import os
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from importlib import import_module
from pathlib import Path
from pkgutil import walk_packages

ROOT = Path(__file__).resolve().parents[2]
GIVE_UP_S = 300  # nothing is asserted about it: a hung command should end
#: Runs only where there are a chip's modules, or on a simulator's other end.
_NOT_HERE = ("demo_ctl.board.pins_rp2", "demo_ctl.board.pins_cosim", "demo_ctl.board.main", "demo_ctl.__main__")
_Done = subprocess.CompletedProcess[str]


def demo(
    *words: str,
    cwd: Path = ROOT,
    env: Mapping[str, str] | None = None,
    typed: str | None = None,
    together: bool = False,
) -> _Done:
    """Run `demo_ctl` with these words, and wait for it. typed: what stands on its standard input; None: nothing.

    env: added to this process's own. together: both outputs are told as one.
    """
    run = _mother().run(list(words), cwd, {**os.environ, "PYTHONPATH": str(ROOT), **(env or {})}, typed, together)
    assert "Traceback" not in run.stderr + run.stdout, run.stderr
    return run


class _Mother:
    """This end of the process that forks."""

    def __init__(self) -> None:
        ours, theirs = socket.socketpair()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.cli.started", str(theirs.fileno())],
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        theirs.close()
        self._socket, self._lock = ours, threading.Lock()
        atexit.register(self.end)

    def end(self) -> None:
        """Let it go; it ends by itself when nobody holds the other end of the socket."""
        self._socket.close()
        self._process.wait()

    def run(self, words: list[str], cwd: Path, env: dict[str, str], typed: str | None, together: bool) -> _Done:
        with self._lock:
            try:
                code, out, err = self._run({"words": words, "cwd": str(cwd), "env": env}, typed, together)
            except BaseException:
                # Nobody knows any more which answer is to which order: the next command has a new mother.
                _mother.cache_clear()
                self._socket.close()
                raise
        return subprocess.CompletedProcess(["demo_ctl", *words], code, out, err)

    def _run(self, order: dict[str, object], typed: str | None, together: bool) -> tuple[int, str, str]:
        data = json.dumps(order).encode()
        (stdin, hands), (out, stdout), (err, stderr) = (os.pipe() for _ in range(3))
        said = {out: b"", err: b""}
        threads = [
            threading.Thread(target=_type, args=(hands, typed), daemon=True),
            *(threading.Thread(target=_hear, args=(fd, said), daemon=True) for fd in (out, err)),
        ]
        self._socket.sendall(len(data).to_bytes(4, "big"))
        socket.send_fds(self._socket, [data[:1]], [stdin, stdout, stdout if together else stderr])
        self._socket.sendall(data[1:])
        for fd in (stdin, stdout, stderr):
            os.close(fd)
        for thread in threads:
            thread.start()
        answer = self._socket.recv(4, socket.MSG_WAITALL)
        assert len(answer) == 4, "the process that forks has gone"
        for thread in threads:
            thread.join(GIVE_UP_S)  # what a command leaves behind may still hold its streams
        text = [said[fd].decode(errors="surrogateescape") for fd in (out, err)]
        return int.from_bytes(answer, "big", signed=True), text[0], text[1]


def _type(fd: int, typed: str | None) -> None:
    with suppress(BrokenPipeError), os.fdopen(fd, "wb") as file:
        file.write((typed or "").encode())


def _hear(fd: int, said: dict[int, bytes]) -> None:
    with os.fdopen(fd, "rb") as file:
        said[fd] = file.read()


@cache
def _mother() -> _Mother:
    return _Mother()


# -- the process that forks ---------------------------------------------------------------------------------


def _load() -> None:
    """Load whatever a command may need."""
    import demo_ctl

    for module in walk_packages(demo_ctl.__path__, "demo_ctl."):
        if module.name not in _NOT_HERE:
            import_module(module.name)


def _take(ours: socket.socket) -> tuple[dict[str, object], list[int]] | None:
    size = ours.recv(4, socket.MSG_WAITALL)
    if len(size) < 4:
        return None
    first, fds, _, _ = socket.recv_fds(ours, 1, 3)
    rest = ours.recv(int.from_bytes(size, "big") - 1, socket.MSG_WAITALL)
    order: dict[str, object] = json.loads(first + rest)
    return order, list(fds)


def _become(order: dict[str, object], fds: list[int]) -> int:
    """Be the command: this process's words, folder, environment and streams are what was ordered."""
    words, env = order["words"], order["env"]
    assert isinstance(words, list)
    assert isinstance(env, dict)
    for target, fd in enumerate(fds):
        os.dup2(fd, target)
        os.close(fd)
    os.chdir(str(order["cwd"]))
    os.environ.clear()
    os.environ.update(env)
    time.tzset()
    sys.argv = ["demo_ctl", *words]
    sys.stdin = sys.__stdin__ = open(0, encoding="utf-8", closefd=False)  # type: ignore[misc]  # noqa: SIM115
    sys.stdout = sys.__stdout__ = open(1, "w", encoding="utf-8", closefd=False)  # type: ignore[misc]  # noqa: SIM115
    sys.stderr = sys.__stderr__ = open(  # type: ignore[misc]  # noqa: SIM115
        2, "w", buffering=1, encoding="utf-8", errors="backslashreplace", closefd=False
    )
    signal.signal(signal.SIGINT, signal.default_int_handler)
    from demo_ctl.__main__ import run

    code = run()
    threading._shutdown()  # type: ignore[attr-defined]
    atexit._run_exitfuncs()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


def _ended(child: int) -> int:
    """Wait for a command, not for ever; return its exit code, as `subprocess` has it."""
    handle = os.pidfd_open(child)
    if not select.select([handle], [], [], GIVE_UP_S)[0]:
        os.kill(child, signal.SIGKILL)
    os.close(handle)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def _serve(ours: socket.socket) -> int:
    """Fork for each order, until nobody is at the other end."""
    _load()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a terminal's Ctrl-C is for who runs the tests
    gc.collect()
    gc.freeze()  # so that no child copies all of it to look for garbage
    while (taken := _take(ours)) is not None:
        order, fds = taken
        child = os.fork()
        if child == 0:
            ours.close()
            return _become(order, fds)
        for fd in fds:
            os.close(fd)
        with suppress(BrokenPipeError):
            ours.sendall(_ended(child).to_bytes(4, "big", signed=True))
    return 0


if __name__ == "__main__":
    sys.exit(_serve(socket.socket(fileno=int(sys.argv[1]))))
