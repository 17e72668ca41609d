"""Laws: however four telephones lift, dial, flash and hang up at once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from typing import Any

from hypothesis import example, given, settings
from hypothesis import strategies as st

from demo_ctl.bench.connector import Connector
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.unit import BenchUnit

S = 1_000_000
MS = 1000
LOOP, NORMAL, REVERSED, RINGING = range(4)

Play = Callable[..., Any]
Toggles = list[tuple[int, bool]]

# What one telephone does: (wait before, what, digits or length). Times in ms.
doing = st.one_of(
    st.tuples(
        st.integers(0, 4000),
        st.just("call"),
        st.sampled_from(["", "3", "35", "350", "323", "399", "300", "377", "40", "0"]),
    ),
    st.tuples(st.integers(0, 9000), st.just("hang up"), st.just("")),
    st.tuples(st.integers(0, 9000), st.just("lift"), st.just("")),
    st.tuples(st.integers(0, 3000), st.just("flash"), st.integers(1, 600).map(str)),
)
telephone = st.lists(doing, max_size=6)


def toggles(actions: list[tuple[int, str, str]]) -> Toggles:
    """Every change of one loop, (at_us, closed), in order."""
    found: Toggles = []
    t_us = 0
    for wait_ms, what, amount in actions:
        t_us += wait_ms * MS
        if what == "call":
            found.append((t_us, True))
            t_us += 1500 * MS
            for digit in amount:
                for _ in range(int(digit) or 10):
                    found += [(t_us, False), (t_us + 60 * MS, True)]
                    t_us += 100 * MS
                t_us += 700 * MS
        elif what == "flash":
            found += [(t_us, False), (t_us + int(amount) * MS, True)]
            t_us += int(amount) * MS
        else:
            found.append((t_us, what == "lift"))
    return found


def run(p: Any, telephones: list[list[tuple[int, str, str]]], check: Callable[[], None] | None = None) -> None:
    """Play all telephones at once; then everybody hangs up, and ten seconds pass."""
    kernel: Kernel = p.kernel
    end_us = 0
    for port, actions in enumerate(telephones, start=1):
        for at_us, closed in toggles(actions):
            kernel.at(at_us, p.bench.set_loop, port, closed)
            end_us = max(end_us, at_us)
    end_us += 3 * S
    while (due_us := kernel.next_us()) is not None and due_us <= end_us:
        kernel.run_to(due_us)
        if check:
            check()
    kernel.run_to(end_us)
    for port in range(1, 5):
        p.hang_up(port)
    p.wait(10 * S)


def holders(bench: BenchUnit) -> None:
    """No trunk is held by two; nobody's line is on two relays; the train is a chain."""
    ahead: dict[int, str] = {}
    lines: dict[int, str] = {}
    for switch in bench._switches.values():
        if switch.after is not None:
            assert switch.after.taken
            assert id(switch.after) not in ahead, (switch.name, ahead[id(switch.after)])
            ahead[id(switch.after)] = switch.name
            assert switch.after.before is switch or switch.after.restoring
        if not switch.taken:
            assert not any((switch.a.operated, switch.b.operated, switch.level, switch.terminal))
        if switch.line is not None:
            assert id(switch.line) not in lines
            lines[id(switch.line)] = switch.name
    connectors = [switch for switch in bench._switches.values() if isinstance(switch, Connector)]
    called = [id(connector.called) for connector in connectors if connector.called is not None]
    assert len(called) == len(set(called))


@settings(deadline=None, max_examples=60)
@given(
    telephones=st.lists(telephone, min_size=4, max_size=4),
    seed=st.integers(0, 999),
    finders=st.integers(1, 4),
    trunks=st.sampled_from(["1-10", "1-2", "1"]),
)
@example(
    # Two at once for the same trunk, one calling the other while it lifts.
    telephones=[[(0, "call", "350")], [(0, "call", "323")], [(3000, "lift", "")], [(0, "call", "350")]],
    seed=0,
    finders=4,
    trunks="1",
)
@example(
    # Gone before the first selector's A was up, and back as the finder gives it up: B is caught on its way up.
    telephones=[[(0, "lift", ""), (331, "flash", "209")], [], [], []],
    seed=0,
    finders=1,
    trunks="1",
)
@example(
    # Hung up while the rotary magnet pulls.
    telephones=[[], [], [], [(0, "call", ""), (0, "flash", "21"), (198, "hang up", "")]],
    seed=0,
    finders=1,
    trunks="1-10",
)
def test_whatever_happens_no_trunk_is_held_twice_and_everything_comes_home(
    play: Play, telephones: list[list[tuple[int, str, str]]], seed: int, finders: int, trunks: str
) -> None:
    p = play(1, prefix="3", finders=finders, trunks=trunks, seed=seed)
    run(p, telephones, lambda: holders(p.bench))
    assert p.standing() == {}
    assert [p.sensed(port) for port in (1, 2, 3, 4)] == [(0, 1, 0, 0)] * 4
    assert p.kernel.next_us() is None
    # Truth only ever changes: no row repeats the one before it of the same thing.
    last: dict[str, int] = defaultdict(int)
    for row in p.bench.truth:
        assert row.value != last[row.what], row
        last[row.what] = row.value
    # So do the sensed edges, and they end where they began.
    sensed: dict[tuple[int, int], int] = {(port, NORMAL): 1 for port in (1, 2, 3, 4)}
    for _, port, signal, level in p.edges:
        assert level != sensed.get((port, signal), 0)
        sensed[(port, signal)] = level
    # Nobody's battery is of both polarities at once, and nobody is rung whose loop was closed all along.
    assert all(t1[0] <= t2[0] for t1, t2 in zip(p.edges, p.edges[1:], strict=False))


@settings(deadline=None, max_examples=20)
@given(telephones=st.lists(telephone, min_size=4, max_size=4), seed=st.integers(0, 999))
def test_the_same_seed_gives_the_same_truth_edges_and_sound(
    play: Play, telephones: list[list[tuple[int, str, str]]], seed: int
) -> None:
    first, second = (play(1, prefix="3", seed=seed) for _ in range(2))
    for p in (first, second):
        run(p, telephones)
    assert first.bench.truth == second.bench.truth
    assert first.edges == second.edges
    middle_us = first.now_us // 2
    blocks = [
        [p.bench.audio_block(port, 112 * k, middle_us) for k in range(5) for port in (1, 2, 3, 4)]
        for p in (first, second)
    ]
    assert blocks[0] == blocks[1]


def test_another_seed_is_another_unit(play: Play) -> None:
    truths = []
    for seed in (1, 2):
        p = play(1, prefix="3", seed=seed)
        run(p, [[(0, "call", "350")], [], [], []])
        truths.append(p.bench.truth)
    assert truths[0] != truths[1]


@settings(deadline=None, max_examples=20)
@given(telephones=st.lists(telephone, min_size=4, max_size=4), seed=st.integers(0, 99))
def test_asking_at_other_instants_changes_nothing(
    play: Play, telephones: list[list[tuple[int, str, str]]], seed: int
) -> None:
    """The clock may be stepped finely or let jump; listening and looking leave no trace."""
    smooth, jumpy = (play(1, prefix="3", seed=seed) for _ in range(2))
    run(smooth, telephones)

    def listen() -> None:
        jumpy.bench.audio_block(1, 0, max(0, jumpy.now_us - 14 * MS))
        jumpy.bench.levels()

    run(jumpy, telephones, listen)
    assert smooth.bench.truth == jumpy.bench.truth
    assert smooth.edges == jumpy.edges


def test_no_events_while_a_call_is_held_and_nobody_is_rung(play: Play) -> None:
    """The interrupter costs nothing: after the answer, on overflow, on busy tone, nothing is ever due."""
    p = play(1, prefix="3")
    p.call(1, "350")
    p.wait(7 * S)
    assert p.kernel.next_us() is not None
    p.lift(2)
    p.wait(2 * S)
    assert p.kernel.next_us() is None
    p.call(3, "350")
    p.wait(2 * S)
    assert p.kernel.next_us() is None
    p.call(4, "9")
    p.wait(2 * S)
    assert p.kernel.next_us() is None
