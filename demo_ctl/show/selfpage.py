"""One page that plays a call by itself: opened from a file, with no server and no network, for years.

The frames are in the page as JSON. Nothing in it can be taken for markup, and the page's own policy lets no script
run but the one it was made with. A part of a scene that does not change is in the page once.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any, Final

from demo_ctl.show import pagefiles
from demo_ctl.show.hub import LANGUAGES, What
from demo_ctl.terms.errors import InputError

#: show time in microseconds from the beginning; the scene, as `scene.as_json` gives it; language to caption.
Frame = tuple[int, Mapping[str, Any], Mapping[str, str]]

PACES: Final = ("1/50", "1/20", "1/10", "1/4", "1/2", "1", "2", "4")
LARGEST: Final = 8_000_000
#: How long the last picture stays before the page begins again.
_LAST_US: Final = 3_000_000


class _Table:
    """Values, each once, in the order in which they first came."""

    def __init__(self) -> None:
        self.values: list[Any] = []
        self._known: dict[str, int] = {}

    def number(self, value: Any) -> int:
        key = json.dumps(value, sort_keys=True, allow_nan=False)
        if key not in self._known:
            self._known[key] = len(self.values)
            self.values.append(value)
        return self._known[key]


def self_page(
    frames: Sequence[Frame],
    title: str,
    languages: Sequence[str] = LANGUAGES,
    *,
    unfolded: Sequence[Frame] | None = None,
    begin_unfolded: bool = False,
    what: What = "everything",
    pace: str = "1",
    playing: bool = False,
    again: bool = False,
    pulses: Sequence[int] = (),
    largest: int = LARGEST,
) -> str:
    """Return the page as HTML, complete.

    languages: the captions to keep; the first is the page's own. unfolded: the same call one thing after the other,
    a switch on the page goes from one to the other. playing, again: begin at once, over and over (a visitor who asks
    for less motion starts it by hand). Raises ValueError if the frames are not in order, InputError if the page would
    have more than `largest` bytes.
    """
    if not languages or not set(languages) <= set(LANGUAGES):
        raise ValueError(f"expected some of {', '.join(LANGUAGES)}, found {', '.join(languages) or 'none'}")
    if pace not in PACES:
        raise ValueError(f"expected a pace of {', '.join(PACES)}, found {pace!r}")
    parts, scenes, captions = _Table(), _Table(), _Table()

    def track(these: Sequence[Frame]) -> list[list[int]]:
        _check(these)
        return [
            [at_us, scenes.number(_packed(scene, parts)), captions.number(_kept(caption, languages))]
            for at_us, scene, caption in these
        ]

    plain = track(frames)
    other = track(unfolded) if unfolded is not None else None
    call = {
        "language": languages[0],
        "what": what,
        "pace": pace,
        "playing": playing,
        "again": again,
        "begin_unfolded": begin_unfolded,
        "pulses": list(pulses),
        "parts": parts.values,
        "scenes": scenes.values,
        "captions": captions.values,
        "frames": plain,
        "end": plain[-1][0] + _LAST_US,
        "unfolded": other,
        "unfolded_end": other[-1][0] + _LAST_US if other else 0,
    }
    page = _page(title, call)
    size = len(page.encode())
    if size > largest:
        raise InputError(
            f"the page would have {size} bytes, {largest} are allowed",
            next_step="Unfold less of the call, or make a page of a shorter one.",
        )
    return page


def _check(frames: Sequence[Frame]) -> None:
    if not frames:
        raise ValueError("a page needs at least one frame")
    times = [at_us for at_us, _, _ in frames]
    if times[0] < 0 or any(later < earlier for earlier, later in pairwise(times)):
        raise ValueError("frames must come in the order of their times, from 0 on")


def _packed(scene: Mapping[str, Any], parts: _Table) -> dict[str, Any]:
    return {
        **scene,
        "caller": parts.number(scene["caller"]),
        "called": parts.number(scene["called"]),
        "switches": [parts.number(each) for each in scene["switches"]],
    }


def _kept(caption: Mapping[str, str], languages: Sequence[str]) -> dict[str, str]:
    return {language: caption[language] for language in languages if language in caption}


def _page(title: str, call: Mapping[str, Any]) -> str:
    style = pagefiles.text("screen.css") + pagefiles.text("player.css")
    script = "\n".join(pagefiles.text(name) for name in ("words.js", "picture.js", "screen.js", "player.js"))
    policy = (
        f"default-src 'none'; script-src '{_hash(script)}'; style-src '{_hash(style)}'; "
        "base-uri 'none'; form-action 'none'"
    )
    fillings = {
        "@POLICY@": policy,
        "@TITLE@": html.escape(title),
        "@STYLE@": style,
        "@SCRIPT@": script,
        "@CALL@": embedded(call),
    }
    # In one pass: what is filled in is not looked through again.
    return re.sub("|".join(fillings), lambda mark: fillings[mark[0]], pagefiles.text("player.html"))


def embedded(value: Any) -> str:
    """Return JSON that can stand inside a script element: no character of it begins or ends anything there."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
