"""Consistent overhead byte stuffing (COBS) of at most 254 bytes: content without zero bytes, one byte longer.

Each zero is replaced by a code: how far away the next one is (the end of the content counts as a zero). One more
code stands in front and says where the first is. With at most 254 bytes no second full block is ever needed, so
every content has exactly one coding, and every coding that ends exactly where its last code points has one content.

Zeros are found by built-ins, in C on both sides: the plain loops below run once a zero. Where there are very many
(a silent line's sound has one in every word) even that is too slow. But then they stand where they stood in the
frame before, so the codes' places are remembered as two long integers and used again, after a check that they
really are the same; one pass of long arithmetic does the whole frame.
"""

MOST_CONTENT = 254
_DENSE = 24  # zeros from which remembering pays
_LONG = 64  # a shorter coding is never dense
_REMEMBERED = 8  # patterns kept for each direction
_CODES = [bytes([code]) for code in range(256)]
# Patterns, as integers, high byte first: (FF where a zero stands, the codes), by size << 8 | zeros;
_stuffed = {}  # type: dict[int, tuple[int, int]]
# and (FF where a code stands, the codes), by size << 16 | count of 1 << 8 | count of 2.
_unstuffed = {}  # type: dict[int, tuple[int, int]]


def stuff(content):
    """Return the coding of `content` (bytes, at most 254)."""
    zeros = content.count(b"\0")
    if zeros < _DENSE:
        codes = _CODES
        parts = []
        for part in content.split(b"\0"):
            parts.append(codes[len(part) + 1])
            parts.append(part)
        return b"".join(parts)
    size = len(content)
    key = size << 8 | zeros
    known = _stuffed.get(key)
    value = int.from_bytes(content, "big")
    # As many zeros as there were, and one at each of the places: the same places.
    if known is None or value & known[0]:
        known = _remember(_stuffed, key, size + 1, [len(part) + 1 for part in content.split(b"\0")], 1)
    return (value | known[1]).to_bytes(size + 1, "big")


def unstuff(coding):
    """Return the content of `coding` (bytes without a zero, 1 to 255 of them), or None if it is no coding."""
    size = len(coding)
    key = 0
    if size >= _LONG:
        ones = coding.count(b"\1")
        twos = coding.count(b"\2")
        if ones + twos >= _DENSE:
            key = size << 16 | ones << 8 | twos
            known = _unstuffed.get(key)
            if known is not None:
                value = int.from_bytes(coding, "big")
                # Each code leads to the next, so if all of them are the same, there is no other.
                if value & known[0] == known[1]:
                    return (value ^ known[1]).to_bytes(size - 1, "big")
    zeroed = bytearray(coding)
    at = 0
    while at < size:
        step = zeroed[at]
        zeroed[at] = 0
        at += step
    if at != size:
        return None
    content = bytes(zeroed[1:])
    if key:
        _remember(_unstuffed, key, size, [len(part) + 1 for part in content.split(b"\0")], 0)
    return content


def _remember(patterns, key, size, steps, first):
    """Note where the codes of a coding of `size` bytes stand (from the first-th on) and what they are."""
    marks = bytearray(size)
    codes = bytearray(size)
    at = 0
    for step in steps:
        marks[at] = 255
        codes[at] = step
        at += step
    if first:
        marks[0] = 0
    if len(patterns) >= _REMEMBERED:
        patterns.clear()
    patterns[key] = known = (int.from_bytes(marks, "big"), int.from_bytes(codes, "big"))
    return known
