"""Payloads: `type u8, sequence u8, body` as the table in messages.py says, little-endian."""

import struct

from demo_ctl.wire.messages import (
    AUDIO_BLOCK,
    CODES,
    INSTRUCTION_BYTES,
    LIMIT_NAMES,
    LOAD_MOST,
    TABLE,
    Audio,
    InForce,
    Load,
)

# What struct raises for a value that does not fit. MicroPython has no struct.error: there the value is cut to
# the field's width, so the firmware must keep its values in range itself.
_pack = struct.pack
_unpack_from = struct.unpack_from

_UNFIT = (TypeError, ValueError, OverflowError, getattr(struct, "error", ValueError))


class WireError(ValueError):
    """These bytes are no message, or this message has no bytes."""


def _load_fits(message):
    many = message.many
    return 1 <= many <= LOAD_MOST and len(message.data) == many * INSTRUCTION_BYTES


def _audio_fits(message):
    size = len(message.data)
    return 2 <= size <= 2 * AUDIO_BLOCK and not size & 1


def _in_force_fits(message):
    return len(message.data) == 4 * len(LIMIT_NAMES)


_TAILS = {Load: _load_fits, Audio: _audio_fits, InForce: _in_force_fits}
_WRITERS = {}  # constructor -> (type code, struct of the whole fixed part, check of the tail or None)
_READERS = {}  # type code -> (constructor, struct of the body's fixed part, payload's least size, check or None)
for _kind, _code in CODES.items():
    _layout = TABLE[_code][1]
    _fits = _TAILS.get(_kind)
    _WRITERS[_kind] = (_code, "<BB" + _layout[1:], _fits)
    _READERS[_code] = (_kind, _layout, 2 + struct.calcsize(_layout), _fits)


def encode(sequence, message):
    """Return the payload of `message` (a named tuple of messages.py); sequence: 0..255.

    WireError if it is no message, or a value does not fit its field.
    """
    try:
        code, layout, fits = _WRITERS[type(message)]
        if fits is None:
            return _pack(layout, code, sequence, *message)
        if fits(message):
            return _pack(layout, code, sequence, *message[:-1]) + bytes(message[-1])
    except KeyError:
        raise WireError("not a message: %r" % (message,)) from None
    except _UNFIT as error:
        raise WireError("%r does not fit: %s" % (message, error)) from None
    raise WireError("%r does not fit: its data has a wrong length" % (message,))


def decode(payload):
    """Return (sequence, message) of a payload (bytes); WireError if it is not exactly one."""
    size = len(payload)
    reader = _READERS.get(payload[0]) if size >= 2 else None
    if reader is None:
        raise WireError("no such message: %r" % (payload[:2],))
    kind, layout, least, fits = reader
    if fits is None:
        if size == least:
            return payload[1], kind(*_unpack_from(layout, payload, 2))
    elif size > least:
        message = kind(*_unpack_from(layout, payload, 2), payload[least:])
        if fits(message):
            return payload[1], message
    raise WireError("message 0x%02x with %d bytes is not of a right length" % (payload[0], size))
