"""Frames: where one payload ends and the next begins, and whether it arrived whole.

A frame is COBS(payload + CRC-32 of the payload, low byte first) followed by one zero byte. COBS (consistent
overhead byte stuffing) replaces every zero of its content by the distance to the next one, so a zero byte on the
line can only be the end of a frame, and a listener is in step again after the next zero, whatever came before.

Content is at most 254 bytes, so COBS never needs a second full block: it adds exactly one byte, and every content
has exactly one encoding. Zeros are found by `split`, in C on both sides; the loops below run once a zero.
"""

from binascii import crc32

MOST_PAYLOAD = 250  # with the CRC's four bytes, 254: one COBS block
MOST_FRAME = MOST_PAYLOAD + 6  # and COBS's one byte and the zero at the end
_MOST_CODED = MOST_FRAME - 1
_LEAST_CODED = 5  # an empty payload: its CRC and COBS's one byte
_RESIDUE = 0x2144DF1C  # CRC-32/ISO-HDLC over any data followed by its own CRC, low byte first (facts Q03)
_CODES = [bytes([code]) for code in range(256)]


def frame(payload):
    """Return `payload` (bytes, at most 250) as a frame of len(payload) + 6 bytes; ValueError if it is longer."""
    if len(payload) > MOST_PAYLOAD:
        raise ValueError("a payload has at most %d bytes, not %d" % (MOST_PAYLOAD, len(payload)))
    codes = _CODES
    parts = []
    for part in (payload + crc32(payload).to_bytes(4, "little")).split(b"\0"):
        parts.append(codes[len(part) + 1])
        parts.append(part)
    parts.append(b"\0")
    return b"".join(parts)


class Deframer:
    """Finds the good frames in a stream of bytes, fed in any pieces.

    bad: how many frames were refused: damaged, too short or too long. What lies between two zeros counts as one.
    """

    def __init__(self):
        self.bad = 0
        self._kept = b""  # of the frame that has not ended yet; at most 256 bytes

    def feed(self, data):
        """Take in `data` (bytes-like, any length); return the payloads (bytes) that it completed, in order."""
        pieces = bytes(data).split(b"\0")
        if self._kept:
            pieces[0] = self._kept + pieces[0]
        kept = pieces.pop()
        # Too long to be a frame already: enough is kept to refuse it when its end comes.
        self._kept = kept if len(kept) <= MOST_FRAME else kept[:MOST_FRAME]
        good = []
        for piece in pieces:
            size = len(piece)
            if _LEAST_CODED <= size <= _MOST_CODED:
                # Walk from code to code, putting back the zeros that they stand for.
                content = bytearray(piece)
                at = 0
                while at < size:
                    step = content[at]
                    content[at] = 0
                    at += step
                if at == size:  # the last code points exactly at the end
                    whole = bytes(content[1:])
                    if crc32(whole) == _RESIDUE:
                        good.append(whole[:-4])
                        continue
            elif not size:
                continue  # two zeros in a row: nothing was sent between them
            self.bad += 1
        return good
