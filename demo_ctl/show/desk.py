"""The presenter's two addresses: the stream of the console's states, and the one thing that can be sent, a wish.

Only who has the token, from a page that this server itself has served (`door.py`), is answered.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.types import Receive, Scope, Send

from demo_ctl.show import door
from demo_ctl.show.answers import refusing
from demo_ctl.show.door import Bucket, Refusal
from demo_ctl.show.hub import Hub
from demo_ctl.show.stream import Streams
from demo_ctl.show.wishes import Kind, Reply

#: A wish has a few dozen bytes.
LARGEST_WISH: Final = 1000
LARGEST_VALUE: Final = 40
_BODY_S: Final = 3.0
_WAITING_WISHES: Final = 4


@dataclass(frozen=True)
class Console:
    """What the presenter's page talks to.

    states: of `hub.ConsoleState`. wish: takes a wish's word and its value ("" for none), at once, in a thread of the
    server's. It returns what the presenter is told, and raises ValueError, with words for people, if there is no
    such wish.
    """

    states: Hub
    wish: Callable[[str, str], Reply | None]


class Desk:
    """The presenter's two addresses."""

    def __init__(self, console: Console, token: str, states: Streams, clock_s: Callable[[], float]) -> None:
        self._console = console
        self._token = token
        self._states = states
        self._wrong = Bucket(5, 0.2, clock_s)
        self._wishes = Bucket(10, 5, clock_s)
        self._stops = Bucket(20, 10, clock_s)  # a budget of its own: no crowd of other wishes delays a stop
        self._busy = 0
        self.events = _DeskEvents(self, states)

    def refuse(self, request: Request, *, strict: bool) -> Response | None:
        """Refuse who comes from elsewhere or without the token. Guesses are counted; the right token never is."""
        refused = door.refuse_foreign(request.headers, strict=strict)
        if refused is not None:
            return refusing(refused)
        if door.same_token(request.headers, self._token):
            return None
        if not self._wrong.take():
            return refusing(Refusal(429, "too many wrong tokens: wait a little"), **{"retry-after": "5"})
        return refusing(Refusal(401, "the token is missing or wrong"), **{"www-authenticate": "Console"})

    async def wish(self, request: Request) -> Response:
        """Take one wish."""
        refused = self.refuse(request, strict=True)
        if refused is not None:
            return refused
        if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
            return refusing(Refusal(415, "a wish is sent as application/json"))
        try:
            body = await asyncio.wait_for(_read(request), _BODY_S)
        except TimeoutError:
            return refusing(Refusal(408, "the wish did not arrive in time"), connection="close")
        if body is None:
            return refusing(Refusal(413, f"a wish has at most {LARGEST_WISH} bytes"), connection="close")
        try:
            name, value = wish_in(body)
        except ValueError as error:
            return refusing(Refusal(400, str(error)))
        if not (self._stops if name == Kind.STOP.value else self._wishes).take():
            return refusing(Refusal(429, "too many wishes at once: wait a second"), **{"retry-after": "1"})
        if self._busy >= _WAITING_WISHES and name != Kind.STOP.value:
            return refusing(Refusal(503, "the show has not yet answered the wishes before this one"))
        self._busy += 1
        try:
            reply = await run_in_threadpool(self._console.wish, name, value)
        except ValueError as error:
            return refusing(Refusal(400, str(error)))
        except Exception:
            return refusing(Refusal(500, "the show could not take this wish: look at its own screen"))
        finally:
            self._busy -= 1
        return JSONResponse({"done": reply.done, "text": reply.text} if reply else {"done": True, "text": ""})


class _DeskEvents:
    """The presenter's stream."""

    def __init__(self, desk: Desk, states: Streams) -> None:
        self._desk = desk
        self._states = states

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        refused = self._desk.refuse(Request(scope), strict=False)
        await (self._states if refused is None else refused)(scope, receive, send)


async def _read(request: Request) -> bytes | None:
    """Return the body, or None as soon as it is too large."""
    declared = request.headers.get("content-length", "0")
    if not declared.isdigit() or int(declared) > LARGEST_WISH:
        return None
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > LARGEST_WISH:
            return None
    return body


def wish_in(body: bytes) -> tuple[str, str]:
    """Read `{"wish": word, "value": text}`; the value may be left out. Raises ValueError."""
    form = 'a wish is {"wish": "next"}, or {"wish": "pace", "value": "1/2"}'
    try:
        data = json.loads(body)
    except (ValueError, RecursionError):
        raise ValueError(form) from None
    if not isinstance(data, dict) or not set(data) <= {"wish", "value"}:
        raise ValueError(form)
    name, value = data.get("wish"), data.get("value", "")
    if not isinstance(name, str) or not isinstance(value, str) or len(value) > LARGEST_VALUE:
        raise ValueError(form)
    if name not in {each.value for each in Kind}:
        raise ValueError(f"expected one of {', '.join(each.value for each in Kind)}")
    return name, value
