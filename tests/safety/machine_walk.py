"""Every state and every transition of the interlock with limits of one tick, as one check sum. Runs anywhere.

Started by test_explore_micropython.py in real MicroPython and in CPython: the same module must do the same thing.
Arguments: how many vectors of facts (1024: all), and how many ticks at most in one pass.
"""

import sys
from binascii import crc32

from demo_ctl.board.interlock import Interlock, Times

FIELDS = ("state", "reason", "age_us", "apart_us", "odd_us", "key", "key_us", "pumped_us", "seen")


def walk(vectors, ticks):  # type: ignore[no-untyped-def]
    """Return (states, transitions, check sum of them all)."""
    it = Interlock(Times(1, 1, 1, 1, 1, 1, 1, 1, 1))

    def take():  # type: ignore[no-untyped-def]
        return tuple([int(getattr(it, name)) for name in FIELDS])

    todo = [take()]
    known = set(todo)
    check = transitions = at = 0
    every = 1024 // vectors
    while at < len(todo):
        state = todo[at]
        for elapsed in range(ticks + 1):
            for fault in (0, 18):
                for vector in range(at % every, 1024, every) if not fault else (at * 37 % 1024,):
                    it.state, it.reason, it.age_us, it.apart_us, it.odd_us = state[:5]
                    it.key, it.key_us, it.pumped_us, it.seen = state[5:]
                    moves = it.step(elapsed, vector, fault)
                    after = take()
                    if after not in known:
                        known.add(after)
                        todo.append(after)
                    shown = [moves, it.wait_us & 0xFF, it.wait_us >> 24] + [v + 1 for v in after]
                    check = crc32(bytes(shown), check)
                    transitions += 1
        at += 1
    return len(todo), transitions, check


if __name__ == "__main__":
    print(*walk(int(sys.argv[1]), int(sys.argv[2])))
