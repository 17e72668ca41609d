"""Answers of the screens' server that are the same for everybody: a refusal, a page's file, a sound or a part of it."""

from __future__ import annotations

import re

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from demo_ctl.show import pagefiles
from demo_ctl.show.door import Refusal


def refusing(refused: Refusal, **headers: str) -> Response:
    """Return the answer to a request that is refused."""
    return PlainTextResponse(refused.text + "\n", refused.status, headers)


def file_route(address: str, name: str, kind: str) -> Route:
    """Return where a page's file is served. kind: its media type."""
    body = pagefiles.served(name)

    async def endpoint(_request: Request) -> Response:
        return Response(body, headers={"content-type": kind})

    return Route(address, endpoint, methods=["GET"])


def sound_route(address: str, body: bytes) -> Route:
    """Return where a sound is served, whole or in part. body: a WAV file."""

    async def endpoint(request: Request) -> Response:
        # A player that jumps asks for the rest only; whole files are short, and asked for once.
        headers = {"content-type": "audio/wav", "accept-ranges": "bytes"}
        part = _range(request.headers.get("range", ""), len(body))
        if part is None:
            return Response(body, headers=headers)
        first, last = part
        headers["content-range"] = f"bytes {first}-{last}/{len(body)}"
        return Response(body[first : last + 1], 206, headers=headers)

    return Route(address, endpoint, methods=["GET"])


def _range(asked: str, size: int) -> tuple[int, int] | None:
    """Return the first and last byte of a simple range; None: the whole is sent."""
    match = re.fullmatch(r"bytes=(\d{1,12})-(\d{0,12})", asked)
    if match is None:
        return None
    first, last = int(match[1]), min(int(match[2] or size - 1), size - 1)
    return (first, last) if first <= last else None
