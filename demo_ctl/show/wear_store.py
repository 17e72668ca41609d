"""Keeps the counters of wear on the disk: whole or not at all, and never older than the call before the running one.

Two files: the counters, and the ones before them. A new one is written beside them, synced, and renamed into place, so
that a power cut at any instant leaves one of the two whole; the newest whole one counts. A file that is there and
cannot be read is never taken for "nothing counted yet".

One program at a time: the folder is locked (by the system, which lets go when the program ends, however it ends).
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
from collections.abc import Callable
from contextlib import suppress
from datetime import date, datetime
from pathlib import Path
from typing import Any

from demo_ctl.show.wear import Counters
from demo_ctl.terms.errors import InputError, Place

FORMAT = "demo_ctl wear 1"
_MOST_BYTES = 1 << 16


def default_folder() -> Path:
    """Return where counters are kept: below XDG_STATE_HOME, or ~/.local/state."""
    state = os.environ.get("XDG_STATE_HOME", "")
    base = Path(state) if os.path.isabs(state) else Path.home() / ".local" / "state"
    return base / "demo_ctl" / "wear"


def file_stem(unit: str, *, simulated: bool) -> str:
    """Return what a unit's files are called; those of the bench are others than the real unit's."""
    plain = re.sub(r"[^a-z0-9]+", "-", unit.lower()).strip("-")[:40] or "unit"
    mark = hashlib.sha256(unit.encode()).hexdigest()[:8]
    return f"{plain}-{mark}{'-bench' if simulated else ''}"


def text_of(counters: Counters) -> str:
    """Return the text of a counters' file."""
    body: dict[str, Any] = {
        "format": FORMAT,
        "number": counters.number,
        "day": counters.day.isoformat(),
        "at": counters.at.isoformat() if counters.at is not None else None,
        "calls_today": counters.calls_today,
        "calls_in_all": counters.calls_in_all,
        "today": dict(counters.today),
        "in_all": dict(counters.in_all),
    }
    body["check"] = _check(body)
    return json.dumps(body, indent=1, ensure_ascii=True) + "\n"


def parse(text: str | bytes) -> Counters:
    """Read the text of a counters' file. ValueError when it is not one, or not whole."""
    try:
        body = json.loads(text)
    except (ValueError, RecursionError):
        raise ValueError("it is torn, or no JSON") from None
    if not isinstance(body, dict) or body.get("format") != FORMAT:
        raise ValueError(f"its format is not '{FORMAT}'")
    if body.get("check") != _check(body):
        raise ValueError("it is not as it was written (its check does not fit)")
    try:
        at = None if body["at"] is None else datetime.fromisoformat(body["at"])
        if at is not None and at.tzinfo is None:
            raise ValueError("no time zone")
        return Counters(
            number=_count(body["number"]),
            day=date.fromisoformat(body["day"]),
            at=at,
            calls_today=_count(body["calls_today"]),
            calls_in_all=_count(body["calls_in_all"]),
            today=tuple(sorted((str(name), _count(count)) for name, count in body["today"].items())),
            in_all=tuple(sorted((str(name), _count(count)) for name, count in body["in_all"].items())),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise ValueError(f"it does not hold what counters hold ({type(error).__name__}: {error})") from None


def _count(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or value < 0:
        raise ValueError(f"no count: {value!r}")
    return value


def _check(body: dict[str, Any]) -> str:
    rest = {key: value for key, value in body.items() if key != "check"}
    return hashlib.sha256(json.dumps(rest, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


class WearStore:
    """The counters of one unit. `close` it, or end: the lock goes with the program.

    step: called before each thing that is done to the disk, for tests that cut the power there.
    """

    def __init__(self, folder: Path, stem: str, *, step: Callable[[str], None] = lambda _what: None) -> None:
        """Lock and read. InputError: the folder cannot be used, another program counts, or no file is whole."""
        self.path = folder / f"{stem}.json"
        self.before = folder / f"{stem}.before.json"
        self._partial = folder / f".{stem}.new"
        self._lock_path = folder / f".{stem}.lock"
        self._folder = folder
        self._step = step
        self._lock = -1
        self._sound = False  # whether `path` is there and whole
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._lock = os.open(self._lock_path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            self.close()
            raise InputError(
                "another program counts the wear of this unit already",
                where=Place(str(self.path)),
                next_step="One exhibit a unit: end the other one first.",
            ) from None
        except OSError as error:
            self.close()
            raise self._cannot(error) from None
        try:
            self.counters = self._read()
        except InputError:
            self.close()
            raise

    def _read(self) -> Counters:
        found: list[Counters] = []
        wrong: list[str] = []
        for path in (self.path, self.before):
            try:
                with path.open("rb") as file:
                    data = file.read(_MOST_BYTES + 1)
                if len(data) > _MOST_BYTES:
                    raise ValueError("it is too long")
                found.append(parse(data))
                self._sound = self._sound or path == self.path
            except FileNotFoundError:
                continue
            except (OSError, ValueError) as error:
                wrong.append(f"{path.name}: {getattr(error, 'strerror', None) or error}")
        if found:
            return max(found, key=lambda each: each.number)
        if wrong:
            raise InputError(
                f"what was counted cannot be read ({'; '.join(wrong)})",
                where=Place(str(self.path)),
                next_step="Put a copy of the file back. If there is none, move it away: counting then begins anew.",
            )
        return Counters()

    def keep(self, counters: Counters) -> None:
        """Keep these counters; when this returns they survive a power cut. InputError: they may not be kept."""
        data = text_of(counters).encode()
        try:
            self._step("write")
            with self._partial.open("wb") as file:
                self._step("half")
                file.write(data[: len(data) // 2])
                file.flush()
                self._step("whole")
                file.write(data[len(data) // 2 :])
                file.flush()
                self._step("sync")
                os.fsync(file.fileno())
            if self._sound:  # one that is not must not take the place of the good one before it
                self._step("before")
                os.replace(self.path, self.before)
            self._sound = False
            self._step("rename")
            os.replace(self._partial, self.path)
            self._sound = True
            self._step("folder")
            self._sync_folder()
            self._step("done")
        except OSError as error:
            raise self._cannot(error) from None
        finally:
            self.counters = counters if counters.number >= self.counters.number else self.counters

    def _sync_folder(self) -> None:
        handle = os.open(self._folder, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

    def close(self) -> None:
        """Let the lock go."""
        if self._lock >= 0:
            with suppress(OSError):
                os.close(self._lock)
            self._lock = -1

    def _cannot(self, error: OSError) -> InputError:
        return InputError(
            f"the wear of the switches cannot be counted here: {error.strerror or error}",
            where=Place(str(self.path)),
            next_step="Name a folder that this program may write to: --state FOLDER.",
        )
