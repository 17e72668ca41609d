"""What several wire tests share: messages of every kind, made from the table itself."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import strategies as st

from demo_ctl.wire import messages as m

_WIDEST = {"B": 0xFF, "H": 0xFFFF, "I": 0xFFFF_FFFF, "Q": 0xFFFF_FFFF_FFFF_FFFF}


def _message(kind: Any) -> st.SearchStrategy[Any]:
    _, layout, tail = m.TABLE[m.CODES[kind]]
    numbers = [st.integers(0, _WIDEST[letter]) for letter in layout[1:]]
    if not tail:
        return st.builds(kind, *numbers)
    if kind is m.Load:
        many = st.integers(1, m.LOAD_MOST)
        return many.flatmap(
            lambda n: st.builds(
                m.Load,
                numbers[0],
                st.just(n),
                st.binary(min_size=n * m.INSTRUCTION_BYTES, max_size=n * m.INSTRUCTION_BYTES),
            )
        )
    if kind is m.InForce:
        size = 4 * len(m.LIMIT_NAMES)
        return st.builds(kind, *numbers, st.binary(min_size=size, max_size=size))
    words = st.lists(st.integers(0, 4095) | st.just(2048), min_size=1, max_size=m.AUDIO_BLOCK)
    return st.builds(kind, *numbers, words.map(lambda w: b"".join(x.to_bytes(2, "little") for x in w)))


@pytest.fixture(scope="session")
def any_message() -> st.SearchStrategy[Any]:
    """Messages of every kind, every value that fits."""
    return st.one_of([_message(kind) for kind in m.CODES])


@pytest.fixture(scope="session")
def host_message() -> st.SearchStrategy[Any]:
    """Messages that a host sends."""
    return st.one_of([_message(kind) for kind, code in m.CODES.items() if code < 0x80])


@pytest.fixture(scope="session")
def board_message() -> st.SearchStrategy[Any]:
    """Messages that a board sends."""
    return st.one_of([_message(kind) for kind, code in m.CODES.items() if code >= 0x80])
