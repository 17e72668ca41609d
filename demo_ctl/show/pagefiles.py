"""The page's own files, read once from the package: no request names a file of this computer."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files
from typing import Final

#: Address to file and type. What is not here does not exist.
ADDRESSES: Final = {
    "/": ("screen.html", "text/html; charset=utf-8"),
    "/screen.css": ("screen.css", "text/css; charset=utf-8"),
    "/words.js": ("words.js", "text/javascript; charset=utf-8"),
    "/picture.js": ("picture.js", "text/javascript; charset=utf-8"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
    "/screen.js": ("screen.js", "text/javascript; charset=utf-8"),
}
CONSOLE_ADDRESSES: Final = {
    "/console": ("console.html", "text/html; charset=utf-8"),
    "/console.css": ("console.css", "text/css; charset=utf-8"),
    "/console.js": ("console.js", "text/javascript; charset=utf-8"),
}


@cache
def text(name: str) -> str:
    """Return one file of the page. `name` is always one written in this room, never one that was asked for."""
    return (files("demo_ctl.show") / "page" / name).read_text(encoding="utf-8")


@cache
def fingerprint() -> str:
    """Return a short name for these very files: a screen that has an older page loads itself again."""
    every = sorted({name for name, _ in (*ADDRESSES.values(), *CONSOLE_ADDRESSES.values())})
    return hashlib.sha256("\0".join(text(name) for name in every).encode()).hexdigest()[:16]


def served(name: str) -> bytes:
    """Return a file as it is served."""
    return text(name).replace("@PAGE@", fingerprint()).encode()
