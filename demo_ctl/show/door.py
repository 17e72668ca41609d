"""Who may come in: pure decisions about a request, made from its headers alone. No I/O.

The audience's page is for anybody who can reach the server; but only under a name the server answers to (else a
foreign page could point a name of its own at this computer and read along). The presenter's page needs the token as
well, in a header of its own, from a page that this server itself has served.
"""

from __future__ import annotations

import hmac
import re
import secrets
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from ipaddress import ip_address
from typing import Final

TOKEN_HEADER: Final = "x-console-token"
#: The least that can be called a secret; `new_token` gives 80 bits in 19 characters.
LEAST_TOKEN: Final = 16
_LETTERS: Final = "abcdefghjkmnpqrstuvwxyz23456789"

LOOPBACK: Final = ("127.0.0.1", "localhost", "::1")

#: Sent with every answer. No script, style, picture or connection but the server's own; nothing is kept.
HEADERS: Final = (
    (
        "content-security-policy",
        "default-src 'self'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    ("x-content-type-options", "nosniff"),
    ("x-frame-options", "DENY"),
    ("cache-control", "no-store"),
    ("referrer-policy", "no-referrer"),
    (
        "permissions-policy",
        "camera=(), microphone=(), geolocation=(), payment=(), usb=(), serial=(), midi=()",
    ),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
)


def new_token() -> str:
    """Return a new secret that can be typed: four groups of four letters and digits, no two of which look alike."""
    return "-".join("".join(secrets.choice(_LETTERS) for _ in range(4)) for _ in range(4))


@dataclass(frozen=True)
class Refusal:
    """Why a request is not answered: an HTTP status, and words for the person who meant well."""

    status: int
    text: str


def host_name(header: str) -> str | None:
    """Return the name in a Host header, in lower case without port and brackets; None if it is not well formed."""
    match = re.fullmatch(r"(?:\[([0-9A-Fa-f:.]{2,45})\]|([A-Za-z0-9._-]{1,253}))(?::\d{1,5})?", header)
    return (match[1] or match[2]).lower() if match else None


def refuse_host(hosts: list[str], allowed: Iterable[str]) -> Refusal | None:
    """Refuse a request whose Host headers do not say, once, one of the `allowed` names."""
    name = host_name(hosts[0]) if len(hosts) == 1 else None
    if name is None or name not in {each.lower() for each in allowed}:
        return Refusal(421, "this server does not answer to that name")
    return None


def refuse_foreign(headers: Mapping[str, str], *, strict: bool) -> Refusal | None:
    """Refuse a request that another site's page makes. strict: it must say that it comes from this server's page."""
    site = headers.get("sec-fetch-site")
    if site is not None and site != "same-origin" and (strict or site != "none"):
        return Refusal(403, "this is answered only to the server's own page")
    origin = headers.get("origin")
    if origin is None:
        return Refusal(403, "this is answered only to the server's own page") if strict else None
    if origin not in (f"http://{headers.get('host', '')}", f"https://{headers.get('host', '')}"):
        return Refusal(403, "this is answered only to the server's own page")
    return None


def same_token(headers: Mapping[str, str], token: str) -> bool:
    """Return whether the request carries the token. Takes as long for a near miss as for a wild one."""
    given = headers.get(TOKEN_HEADER, "")
    return hmac.compare_digest(given.encode("utf-8", "surrogateescape"), token.encode())


def share(most: int, address: str) -> int:
    """Return how many of `most` places one address may have: a quarter, or where this computer itself asks, the rest.

    So a crowd at one address, well meant or not, never takes the last place from all others. Through a proxy on this
    computer everybody has its address.
    """
    try:
        at = ip_address(address.partition("%")[0])
    except ValueError:
        return max(1, most // 4)
    mapped = getattr(at, "ipv4_mapped", None)
    return most - most // 4 if (mapped or at).is_loopback else max(1, most // 4)


@dataclass
class Bucket:
    """At most `burst` at once and `per_second` in the long run. `clock_s` gives seconds that never go back."""

    burst: float
    per_second: float
    clock_s: Callable[[], float]
    _level: float = field(init=False)
    _at_s: float = field(init=False)

    def __post_init__(self) -> None:
        self._level = self.burst
        self._at_s = self.clock_s()

    def take(self) -> bool:
        """Take one, or return False if there is none."""
        now_s = self.clock_s()
        self._level = min(self.burst, self._level + max(0.0, now_s - self._at_s) * self.per_second)
        self._at_s = now_s
        if self._level < 1:
            return False
        self._level -= 1
        return True
