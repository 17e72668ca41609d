"""Frames: where one payload ends and the next begins, and whether it arrived whole.

A frame is COBS(payload + CRC-32 of the payload, low byte first) followed by one zero byte. Coded content has no
zero, so a zero on the line can only be the end of a frame, and a listener is in step again after the next one,
whatever came before.

There is no empty payload: its CRC is four zeros, so one flipped bit in a frame that begins with five zeros would cut
a sound empty frame off it.
"""

from binascii import crc32

from demo_ctl.wire.stuffing import MOST_CONTENT, stuff, unstuff

MOST_PAYLOAD = MOST_CONTENT - 4  # the CRC's four bytes
MOST_FRAME = MOST_CONTENT + 2  # COBS's one byte and the zero at the end
_LEAST_CODED = 6  # one byte of payload, its CRC and COBS's one byte
_MOST_CODED = MOST_CONTENT + 1
_RESIDUE = 0x2144DF1C  # CRC-32/ISO-HDLC over any data followed by its own CRC, low byte first (facts Q03)


def frame(payload):
    """Return `payload` (bytes, 1 to 250) as a frame of len(payload) + 6 bytes; ValueError otherwise."""
    if not 1 <= len(payload) <= MOST_PAYLOAD:
        raise ValueError("a payload has 1 to %d bytes, not %d" % (MOST_PAYLOAD, len(payload)))
    return stuff(payload + crc32(payload).to_bytes(4, "little")) + b"\0"


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
            if _LEAST_CODED <= len(piece) <= _MOST_CODED:
                content = unstuff(piece)
                if content is not None and crc32(content) == _RESIDUE:
                    good.append(content[:-4])
                    continue
            elif not piece:
                continue  # two zeros in a row: nothing was sent between them
            self.bad += 1
        return good
