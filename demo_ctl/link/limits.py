"""The limits that hold on a board, as it tells them. Pure."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from demo_ctl.link.trouble import other_limits
from demo_ctl.wire import messages as m


@dataclass(frozen=True)
class LimitsInForce:
    """The limits that hold on the board now. values: by their names (messages.LIMIT_NAMES); digest: of all of them.

    The digest has been worked out anew from the values, so it stands for exactly these, this table and this firmware.
    """

    values: Mapping[str, int]
    digest: int

    def value(self, which: int) -> int:
        """Return one limit by its index (L_...)."""
        return self.values[m.LIMIT_NAMES[which]]


def unpacked(told: m.InForce, firmware: int, url: str) -> LimitsInForce | None:
    """Return the limits that a board tells, None when they are not as many as ours.

    LinkError when they are not those of the digest that it tells with them.
    """
    data = bytes(told.data)
    if len(data) != 4 * len(m.LIMIT_NAMES):
        return None
    digest = m.limits_digest(data, firmware)
    if digest != told.digest:
        raise other_limits(url)
    values = struct.unpack(f"<{len(m.LIMIT_NAMES)}I", data)
    return LimitsInForce(MappingProxyType(dict(zip(m.LIMIT_NAMES, values, strict=True))), digest)


def limit_name(which: int) -> str:
    """Return a limit's name by its index (L_...)."""
    return m.LIMIT_NAMES[which] if which < len(m.LIMIT_NAMES) else f"limit {which}"
