"""What it means that a board fell silent: asked once more, to tell one that booted anew from one that is lost."""

from __future__ import annotations

import secrets

from demo_ctl.link.port_like import PortLike
from demo_ctl.link.trouble import fell_silent, was_reset
from demo_ctl.terms.errors import DemoError, LinkError
from demo_ctl.wire import messages as m
from demo_ctl.wire.host_session import HostLost, HostSession

#: How long it is asked.
_ASK_AGAIN_US = 600_000


def meaning_of_silence(port: PortLike, known: int | None) -> LinkError:
    """Return what to say. known: the board's boot that the session began with; None: it never began."""
    try:
        if known is not None and _boot(port) not in (known, None):
            return was_reset(port.url)
    except LinkError as error:
        return error
    except (DemoError, HostLost):
        pass
    return fell_silent(port.url)


def _boot(port: PortLike) -> int | None:
    """Return the number of the boot that answers on `port`, None when nothing does."""
    session = HostSession()
    session.request(m.Hello(m.PROTOCOL, m.TABLE_HASH, secrets.randbits(32)), port.clock_us())
    until_us = port.clock_us() + _ASK_AGAIN_US
    while port.clock_us() < until_us:
        data = session.outgoing()
        if data:
            port.write(b"\0" + bytes(data))
        wake_us = session.next_deadline()
        session.feed(port.read(until_us if wake_us is None else min(until_us, wake_us)), port.clock_us())
        answered = session.answered
        if isinstance(answered, m.Welcome):
            return answered.boot
        session.tick(port.clock_us())
    return None
