"""Consistent overhead byte stuffing (COBS) of at most 254 bytes: content without zero bytes, one byte longer.

Each zero is replaced by a code: how far away the next one is (the end of the content counts as a zero). One more
code stands in front and says where the first is. With at most 254 bytes no second full block is ever needed, so
every content has exactly one coding, and every coding that ends exactly where its last code points has one content.

Zeros are found by built-ins, in C on both sides; the loops below run once a zero. Frames with very many are rare:
the longest, of sound, rest where neither byte of a word is zero (messages.AUDIO_REST).
"""

MOST_CONTENT = 254
_CODES = [bytes([code]) for code in range(256)]


def stuff(content):
    """Return the coding of `content` (bytes, at most 254)."""
    codes = _CODES
    parts = []
    for part in content.split(b"\0"):
        parts.append(codes[len(part) + 1])
        parts.append(part)
    return b"".join(parts)


def unstuff(coding):
    """Return the content of `coding` (bytes without a zero, 1 to 255 of them), or None if it is no coding."""
    size = len(coding)
    content = bytearray(coding)
    at = 0
    while at < size:
        step = content[at]
        content[at] = 0
        at += step
    if at != size:
        return None
    return bytes(content[1:])
