"""Events in order, each once, at its own time."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.kernel import Handle, Kernel


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 50), st.booleans()), max_size=30),
    st.lists(st.integers(0, 60), max_size=6),
)
def test_everything_happens_once_in_order_of_time_then_of_asking(
    asked: list[tuple[int, bool]], stops: list[int]
) -> None:
    kernel = Kernel()
    happened: list[tuple[int, int]] = []
    handles: list[Handle] = []
    for number, (at_us, _) in enumerate(asked):
        handles.append(kernel.at(at_us, lambda number=number: happened.append((kernel.now_us, number))))
    for handle, (_, called_off) in zip(handles, asked, strict=True):
        if called_off:
            kernel.cancel(handle)
    for stop_us in sorted(stops):
        due = kernel.next_us()
        kernel.run_to(stop_us)
        assert due is None or (due <= stop_us) == (bool(happened) and happened[-1][0] >= due)
        assert kernel.now_us == stop_us
    kernel.run_to(100)
    left = [(at_us, number) for number, (at_us, called_off) in enumerate(asked) if not called_off]
    assert happened == sorted(left)
    assert kernel.next_us() is None


def test_an_event_may_ask_for_another_at_the_same_time() -> None:
    kernel = Kernel()
    seen: list[int] = []

    def again(left: int) -> None:
        seen.append(kernel.now_us)
        if left:
            kernel.at(kernel.now_us, again, left - 1)

    kernel.at(5, again, 2)
    kernel.run_to(5)
    assert seen == [5, 5, 5]


def test_the_past_is_refused() -> None:
    kernel = Kernel()
    kernel.run_to(10)
    with pytest.raises(ValueError, match="before the present"):
        kernel.at(9, print)


def test_calling_off_twice_or_too_late_is_harmless() -> None:
    kernel = Kernel()
    seen: list[int] = []
    handle = kernel.at(1, seen.append, 1)
    kernel.run_to(1)
    kernel.cancel(handle)
    kernel.cancel(None)
    assert seen == [1]
