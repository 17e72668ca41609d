"""The timeline of a replay: when which happening is shown, and how long. Pure.

At a pace all times of a call are divided by it. *Unfolded*, happenings that come together are shown one after the
other instead, each held long enough to be read about, in the order of cause and effect; then the picture goes back to
where it was before them, and they are shown together again as they really came.

Two orders must agree for that: a cause comes before its effects, and what one part does stays in its order. Each
part's own picture depends on nothing but its own happenings, so the picture at the end of such a stretch is the same
in either order.

A timeline may have a longest length. To keep to it, first each unfolded happening is held for less time (down to
LEAST_HOLD_US), then stretches are left folded, the last ones first, then the pace is raised (up to 4), and at last the
end is cut off; `notes` tells what was done.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from demo_ctl.office.model import Unit
from demo_ctl.show.captions import TOGETHER, key_of
from demo_ctl.show.model import STAGES, Happening

Which = Literal["nothing", "first pulse", "first of each stage", "everything"]

#: Paces a replay can have: facts of our own, stated in the issue.
SLOWEST, FASTEST = Fraction(1, 50), Fraction(4)
#: Nobody reads a caption in less.
LEAST_HOLD_US = 600_000
#: Happenings with no longer gap between them than this come together (of the record's time).
TOGETHER_US = 60_000
#: The last picture stays so long.
END_US = 2_000_000
#: Of one stage at most so many happenings are unfolded; a finder's hunt has dozens that are all alike.
MOST_A_STAGE = 24
#: After the last pulse of a digit the magnet falls back and no more; then C's hold begins.
_PULSE_OVER_US = 90_000


@dataclass(frozen=True)
class Unfolding:
    """What is unfolded, and how. hold_us: of each step; back_us: of the picture before it is shown together again."""

    which: Which = "first pulse"
    hold_us: int = 1_500_000
    back_us: int = 1_000_000
    again: bool = True
    cap_us: int | None = None


@dataclass(frozen=True)
class Frame:
    """At `show_us` of the replay happening `number` is shown, and nothing new for `hold_us`.

    number 0: the picture before the first happening. caption_key: of the captions; empty: no new caption. mode: `real`
    at the record's own times, `apart` when unfolded, `back` when the picture goes back to `number` before it is shown
    together again.
    """

    show_us: int
    number: int
    hold_us: int
    caption_key: str = ""
    mode: Literal["real", "apart", "back"] = "real"


@dataclass(frozen=True)
class Timeline:
    """Frames in the order of the replay, its length, the pace and holds it really has, and what was given up for it."""

    frames: tuple[Frame, ...]
    total_us: int
    pace: Fraction
    hold_us: int
    unfolded: tuple[tuple[int, int], ...]  # first and last number of each unfolded stretch
    notes: tuple[str, ...] = ()


Stretch = tuple[int, int]


def timeline(
    happenings: Sequence[Happening], unit: Unit, pace: Fraction = Fraction(1), unfolding: Unfolding | None = None
) -> Timeline:
    """Return the timeline of a replay. Raises ValueError for a pace outside 1/50 to 4, or times that are none."""
    asked = unfolding or Unfolding()
    if not SLOWEST <= pace <= FASTEST:
        raise ValueError(f"a replay's pace is from 1/50 to 4, not {pace}")
    if asked.hold_us <= 0 or asked.back_us < 0 or (asked.cap_us is not None and asked.cap_us <= 0):
        raise ValueError("holds and the longest length of a replay are positive times")
    stretches = stretches_of(happenings, asked.which)
    making = _Making(happenings, unit, asked)
    if asked.cap_us is None or making.length(pace, asked.hold_us, stretches) <= asked.cap_us:
        return making.made(pace, asked.hold_us, stretches, ())
    return making.capped(pace, stretches, asked.cap_us)


def stretches_of(happenings: Sequence[Happening], which: Which) -> tuple[Stretch, ...]:
    """Return the stretches to unfold, as first and last index into the happenings: apart, in order."""
    if which == "nothing" or not happenings:
        return ()
    if which == "first pulse":
        found = first_pulse(happenings)
        return () if found is None else (found,)
    if which == "everything":
        return tuple(_runs(happenings))
    return tuple(_first_of_each_stage(happenings))


def first_pulse(happenings: Sequence[Happening]) -> Stretch | None:
    """Return the stretch of the caller's first pulse: from the contact's opening to before the next one."""
    pulses = [
        place
        for place, each in enumerate(happenings)
        if each.part == "caller" and each.thing == "pulse" and each.value and _dials(happenings, place)
    ]
    if not pulses:
        return None
    first = pulses[0]
    closed_us = None
    for place in range(first + 1, len(happenings)):
        each = happenings[place]
        if place in pulses[1:2] or (closed_us is not None and each.at_us > closed_us + _PULSE_OVER_US):
            return first, place - 1
        if each.part == "caller" and each.thing == "pulse" and not each.value:
            closed_us = each.at_us
    return first, len(happenings) - 1


def _dials(happenings: Sequence[Happening], place: int) -> bool:
    """Whether a pulse is one of a digit's, not a tap of the hook: its count follows at once."""
    return place + 1 < len(happenings) and happenings[place + 1].thing == "pulses"


def _runs(happenings: Sequence[Happening]) -> list[Stretch]:
    """All happenings, in stretches that come together."""
    runs: list[Stretch] = []
    begin = 0
    for place in range(1, len(happenings) + 1):
        over = place == len(happenings)
        if over or happenings[place].at_us - happenings[place - 1].at_us > TOGETHER_US:
            runs.append((begin, place - 1))
            begin = place
    return runs


def _first_of_each_stage(happenings: Sequence[Happening]) -> list[Stretch]:
    found: list[Stretch] = []
    seen: set[int] = set()
    after = 0
    for place, each in enumerate(happenings):
        if each.part != "call" or each.thing != "stage" or each.value in seen:
            continue
        seen.add(each.value)
        stretch = first_pulse(happenings) if STAGES[each.value] == "dialling" else _run_from(happenings, place)
        if stretch is not None and stretch[0] >= after and stretch[1] > stretch[0]:
            found.append(stretch)
            after = stretch[1] + 1
    return found


def _run_from(happenings: Sequence[Happening], place: int) -> Stretch:
    """From the happening that began a stage as far as things come together, some dozens at most."""
    begin = max(0, place - 1) if happenings[place].cause == happenings[place - 1].number else place
    end = place
    while (
        end + 1 < len(happenings)
        and end + 1 - begin < MOST_A_STAGE
        and happenings[end + 1].at_us - happenings[end].at_us <= TOGETHER_US
        and happenings[end + 1].part != "call"
    ):
        end += 1
    return begin, end


def causal_order(together: Iterable[Happening]) -> tuple[Happening, ...]:
    """Order happenings so that chains of cause and effect are told through, as far as each part's own order allows."""
    left = sorted(together, key=lambda each: each.number)
    inside = {each.number for each in left}
    shown: list[int] = []
    order: list[Happening] = []
    while left:
        heads: dict[str, Happening] = {}
        for each in left:
            heads.setdefault(each.part, each)
        ready = [each for each in heads.values() if each.cause not in inside or each.cause in shown]
        rank = {number: place for place, number in enumerate(shown)}
        # What the latest one shown has caused comes next; else whatever came first.
        chosen = max(ready, key=lambda each: (rank.get(each.cause, -1), -each.number))
        left.remove(chosen)
        shown.append(chosen.number)
        order.append(chosen)
    return tuple(order)


class _Making:
    def __init__(self, happenings: Sequence[Happening], unit: Unit, asked: Unfolding) -> None:
        self._happenings = happenings
        self._asked = asked
        self._keys = [key_of(each, unit) for each in happenings]
        # The guard proves itself long before a call begins; nobody waits for that.
        own = [each.at_us for each in happenings if each.part != "guard"]
        self._zero_us = own[0] if own else 0
        self._last_us = max(own, default=0)

    def _at(self, place: int) -> int:
        return min(max(self._happenings[place].at_us, self._zero_us), self._last_us)

    def _span(self, stretch: Stretch) -> int:
        return self._at(stretch[1]) - self._at(stretch[0])

    def length(self, pace: Fraction, hold_us: int, stretches: Sequence[Stretch]) -> Fraction:
        """The exact length, without making the frames."""
        total = (self._last_us - self._zero_us) / pace + END_US
        for stretch in stretches:
            total += self._steps(stretch) * hold_us + (self._asked.back_us if self._asked.again else 0)
            if not self._asked.again:
                total -= self._span(stretch) / pace
        return Fraction(total)

    def _steps(self, stretch: Stretch) -> int:
        return sum(bool(key) for key in self._keys[stretch[0] : stretch[1] + 1])

    def capped(self, pace: Fraction, stretches: tuple[Stretch, ...], cap_us: int) -> Timeline:
        notes: list[str] = []
        kept = stretches
        while kept and self.length(pace, LEAST_HOLD_US, kept) > cap_us:
            kept = kept[:-1]
        if len(kept) < len(stretches):
            notes.append(f"{len(stretches) - len(kept)} of {len(stretches)} unfolded stretches are shown together only")
        hold_us = self._asked.hold_us
        steps = sum(self._steps(stretch) for stretch in kept)
        if steps and self.length(pace, hold_us, kept) > cap_us:
            room = cap_us - self.length(pace, 0, kept)
            hold_us = min(hold_us, int(room // steps))
            notes.append(f"each unfolded step is held for {hold_us / 1e6:.1f} s, not {self._asked.hold_us / 1e6:.1f} s")
        if not kept and self.length(pace, hold_us, ()) > cap_us:
            wanted = Fraction(self._last_us - self._zero_us, cap_us - END_US) if cap_us > END_US else FASTEST
            pace = min(FASTEST, wanted)
            notes.append(f"the pace is {float(pace):.3g}, to end in time")
        made = self.made(pace, hold_us, kept, tuple(notes))
        if made.total_us <= cap_us:
            return made
        frames = [frame for frame in made.frames if frame.show_us < cap_us]
        last = frames[-1]
        frames[-1] = Frame(last.show_us, last.number, cap_us - last.show_us, last.caption_key, last.mode)
        notes.append("even so it is too long, and its end is not shown")
        return Timeline(tuple(frames), cap_us, pace, hold_us, made.unfolded, tuple(notes))

    def made(self, pace: Fraction, hold_us: int, stretches: tuple[Stretch, ...], notes: tuple[str, ...]) -> Timeline:
        shown: list[tuple[Fraction, int, str, Literal["real", "apart", "back"]]] = [(Fraction(0), 0, "", "real")]
        now = Fraction(0)
        before_us = self._zero_us
        opening = {stretch[0]: stretch for stretch in stretches}
        place = 0
        while place < len(self._happenings):
            now += Fraction(self._at(place) - before_us) / pace
            before_us = self._at(place)
            stretch = opening.get(place)
            if stretch is None:
                shown.append((now, self._happenings[place].number, self._told(place), "real"))
                place += 1
                continue
            number_before = self._happenings[place - 1].number if place else 0
            for each in causal_order(self._happenings[stretch[0] : stretch[1] + 1]):
                key = self._keys[each.number - self._happenings[0].number]
                shown.append((now, each.number, key, "apart"))
                now += hold_us if key else 0
            if self._asked.again:
                shown.append((now, number_before, TOGETHER, "back"))
                now += self._asked.back_us
                for again in range(stretch[0], stretch[1] + 1):
                    now += Fraction(self._at(again) - before_us) / pace
                    before_us = self._at(again)
                    shown.append((now, self._happenings[again].number, self._told(again), "real"))
            before_us = self._at(stretch[1])
            place = stretch[1] + 1
        total = int(now + END_US)
        times = [int(at) for at, *_ in shown] + [total]
        frames = tuple(
            Frame(times[index], number, times[index + 1] - times[index], key, mode)
            for index, (_, number, key, mode) in enumerate(shown)
        )
        numbers = tuple((self._happenings[a].number, self._happenings[b].number) for a, b in stretches)
        return Timeline(frames, total, pace, hold_us, numbers, notes)

    def _told(self, place: int) -> str:
        """At the record's own times only the stages are told: nothing else stays long enough."""
        return self._keys[place] if self._keys[place].startswith("stage ") else ""
