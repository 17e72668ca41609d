"""Types of framing.py, for mypy."""

MOST_PAYLOAD: int
MOST_FRAME: int

def frame(payload: bytes) -> bytes: ...

class Deframer:
    bad: int
    def feed(self, data: bytes | bytearray | memoryview) -> list[bytes]: ...
