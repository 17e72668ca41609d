"""The firmware's number, worked out from its sources: what a board tells in Welcome, and provings are held against.

It is pinned in `board/identity.py`, because a board has no sources to read. Pin it anew whenever they were changed:

    python -m demo_ctl.safety.firmware_sources

Sixteen bits of a SHA-256 over every module that is loaded onto a board, comments and all: of two firmwares, one in
65,536 pairs has the same number. It finds accidents, not forgery.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable
from pathlib import Path

import demo_ctl
from demo_ctl.board import identity
from demo_ctl.terms.errors import InputError, Place

PACKAGE = Path(demo_ctl.__file__).parent
COMMAND = "python -m demo_ctl.safety.firmware_sources"
_ROOMS = ("board", "wire")
_PIN = "board/identity.py"
_LINE = re.compile(r"^VERSION = 0x[0-9A-F]{4}$", re.M)


def sources(package: Path = PACKAGE) -> list[tuple[str, bytes]]:
    """Read the modules that are loaded onto a board, by their names; the pin itself is not among them. OSError."""
    paths = [package / "__init__.py", *(path for room in _ROOMS for path in (package / room).rglob("*.py"))]
    found = ((path.relative_to(package).as_posix(), path) for path in paths)
    return [(name, path.read_bytes()) for name, path in sorted(found) if name != _PIN]


def number_of(modules: Iterable[tuple[str, bytes]]) -> int:
    """Return the number of these modules, 16 bits, whatever ends their lines."""
    digest = hashlib.sha256()
    for name, data in sorted(modules):
        text = data.replace(b"\r\n", b"\n")
        digest.update(f"{name}\n{len(text)}\n".encode() + text)
    return int.from_bytes(digest.digest()[:2], "big")


def pin(package: Path = PACKAGE) -> int:
    """Write the number of the sources beside them; return it. InputError when it has no place there, OSError."""
    path = package / _PIN
    number = number_of(sources(package))
    text, count = _LINE.subn(f"VERSION = 0x{number:04X}", path.read_text(encoding="utf-8"))
    if count != 1:
        raise InputError(
            "there is no line 'VERSION = 0x....', with four digits, that could be written anew",
            where=Place(str(path)),
            next_step="Put it back: VERSION = 0x0000, at the beginning of a line.",
        )
    path.write_text(text, encoding="utf-8")
    return number


def doubt(package: Path = PACKAGE, pinned: int = identity.VERSION) -> str:
    """Return why the number that boards tell says nothing of their firmware, "" when it does as far as is known here.

    The sources beside this program were changed, and a board loaded from them still tells the number of those before.
    """
    try:
        number = number_of(sources(package))
    except OSError:  # a program that was packed without its sources
        return ""
    if number == pinned:
        return ""
    return (
        f"the firmware's sources in {package} are not those of its number {pinned:04x} any more: nobody can tell what "
        f"the board runs. Pin them ({COMMAND}), load the board anew, and prove the guard"
    )


def main(say: Callable[[str], object] = print) -> None:
    """Pin the number."""
    try:
        before, now = identity.VERSION, pin()
    except (InputError, OSError) as error:
        raise SystemExit(str(error)) from None
    say(f"{PACKAGE / _PIN}: {now:04x}" + (" (as it was)" if now == before else f" (it was {before:04x})"))


if __name__ == "__main__":
    main()
