"""What was seen of a call, put in order once: when each step ended, every raw edge by port and signal, what is missing.

Nothing here judges or reckons; times are the board's microseconds.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from functools import cached_property
from math import inf, sqrt
from typing import TYPE_CHECKING, NamedTuple

from demo_ctl.measure.model import Observation
from demo_ctl.plan.model import Plan
from demo_ctl.wire import messages as m

if TYPE_CHECKING:
    from demo_ctl.measure.tones import Heard, Piece
    from demo_ctl.office.model import Tone

_ROOT12 = sqrt(12.0)


class Edge(NamedTuple):
    """A raw edge: its instant, the level from there on, the number of its event."""

    at_us: int
    level: int
    number: int


class Mark(NamedTuple):
    """An instant of a step, how the step ended there (wire.messages endings), the number of its event."""

    at_us: int
    ending: int
    number: int


class Stretch(NamedTuple):
    """From, to. whole: False when the call ended before its last step did."""

    begin_us: int
    end_us: int
    whole: bool


class Sight:
    """An observation of a plan, indexed."""

    def __init__(self, plan: Plan, observation: Observation) -> None:
        self.plan = plan
        self.welcome = observation.welcome
        self.audio = observation.audio
        self._began: dict[int, Mark] = {}
        self._ended: dict[int, Mark] = {}
        self._edges: dict[tuple[int, int], list[Edge]] = {}
        self._lost: dict[int, list[int]] = {}
        self._audio_lost: list[tuple[int, int]] = []
        self.start_us = self.end_us = 0
        self.finished = False
        #: When the plan was over, for whatever reason; infinitely late when the board did not say.
        self.over_us = inf
        self._heard: dict[tuple[int, Tone], tuple[Heard, ...]] = {}
        started = False
        for event in observation.events:
            value = event.value
            if event.kind == m.EV_EDGE:
                key = (event.port, value >> 1 & 3)
                self._edges.setdefault(key, []).append(Edge(event.at_us, value & 1, event.number))
            elif event.kind == m.EV_BEGAN:
                self._began[value & 0xFFFF] = Mark(event.at_us, m.DONE, event.number)
            elif event.kind == m.EV_ENDED:
                self._ended[value & 0xFFFF] = Mark(event.at_us, value >> 16 & 0xFF, event.number)
            elif event.kind == m.EV_EDGES_LOST:
                self._lost.setdefault(event.port, []).append(event.at_us)
            elif event.kind == m.EV_AUDIO_LOST:
                self._audio_lost.append((event.port, event.at_us))
            elif event.kind == m.EV_PLAN:
                state = value & 0xFF
                if state == m.RUNNING and not started:
                    self.start_us, started = event.at_us, True
                elif state in (m.FINISHED, m.ENDED_EARLY):
                    self.finished = state == m.FINISHED
                    self.over_us = event.at_us
            self.end_us = max(self.end_us, event.at_us)
        if not started and observation.events:
            self.start_us = min(event.at_us for event in observation.events)
        for edges in self._edges.values():
            edges.sort()

    # Standard uncertainties: a uniform doubt of full width w has w / sqrt(12) (JCGM 100 4.3.7, facts Q60).

    @cached_property
    def stamp_u_us(self) -> float:
        """Of an output's stamp."""
        return self.welcome.stamp_blur_us / _ROOT12

    @cached_property
    def loop_u_us(self) -> float:
        """Of a LOOP edge's stamp."""
        return self.welcome.loop_blur_us / _ROOT12

    @cached_property
    def battery_u_us(self) -> float:
        """Of a NORMAL or REVERSED edge's stamp."""
        return self.welcome.battery_blur_us / _ROOT12

    # Steps.

    def began(self, index: int) -> Mark | None:
        """When a PULSES, WAIT_FOR or GATE began; None if it did not."""
        return self._began.get(index)

    def ended(self, index: int) -> Mark | None:
        """When a step ended of itself; None if it did not (never reached, or cut off with the plan)."""
        mark = self._ended.get(index)
        return None if mark is None or mark.ending == m.STOPPED else mark

    def stretch(self, begin_us: int, until: int, *, begun: bool = False) -> Stretch:
        """From an instant to the end of step `until` (begun: to its beginning; -1: the plan's end)."""
        if until < 0:
            return Stretch(begin_us, self.end_us, self.finished)
        mark = (self._began if begun else self._ended).get(until)
        if mark is None:
            return Stretch(begin_us, self.end_us, False)
        return Stretch(begin_us, mark.at_us, mark.ending != m.STOPPED)

    def watched(self, index: int, until: int) -> Stretch | None:
        """From the end of step `index` to the end of step `until`; the whole plan for (0, -1). None: not reached."""
        ended = self.ended(index)
        if ended is None:
            return None
        return self.stretch(self.start_us if index == 0 and until < 0 else ended.at_us, until)

    def next_move_us(self, port: int, after: int) -> int:
        """When our own loop on `port` next moved after step `after`; the end of all events if it did not."""
        steps = self.plan.timeline.steps
        for index in range(after + 1, len(steps)):
            step = steps[index]
            if step.port != port or step.op not in (m.OP_LOOP, m.OP_PULSES):
                continue
            mark = (self._began if step.op == m.OP_PULSES else self._ended).get(index)
            if mark is not None:
                return mark.at_us
        return self.end_us

    # Edges.

    def edges(self, port: int, signal: int, begin_us: float = -inf, end_us: float = inf) -> list[Edge]:
        """Give the raw edges of a port's signal from begin to end, both included, in order of time."""
        edges = self._edges.get((port, signal), [])
        low = bisect_left(edges, begin_us, key=lambda edge: edge.at_us)
        return edges[low : bisect_right(edges, end_us, key=lambda edge: edge.at_us)]

    def level(self, port: int, signal: int, at_us: float) -> int | None:
        """Give the raw level at an instant, as edges tell; None if the signal never moved."""
        edges = self._edges.get((port, signal), [])
        if not edges:
            return None
        place = bisect_right(edges, at_us, key=lambda edge: edge.at_us)
        return edges[place - 1].level if place else 1 - edges[0].level

    @property
    def ports(self) -> range:
        """All ports of the board."""
        return range(1, self.welcome.ports + 1)

    def lost(self, port: int, begin_us: float, end_us: float) -> bool:
        """Whether raw edges of a port may be missing between two instants.

        A report tells of losses since the one before it, so all that time is in doubt. Port 0: any port.
        """
        for key in (0, port) if port else tuple(self._lost):
            before = -inf
            for told_us in self._lost.get(key, ()):
                if before <= end_us and told_us >= begin_us:
                    return True
                before = told_us
        return False

    # Audio.

    @cached_property
    def _pieces(self) -> dict[int, tuple[Piece, ...]]:
        from demo_ctl.measure.tones import pieces

        return {port: pieces(self.audio, port) for port in {block.port for block in self.audio}}

    def pieces(self, port: int, begin_us: float, end_us: float) -> tuple[Piece, ...]:
        """Give the pieces of a port's audio that overlap a stretch."""
        found = self._pieces.get(port, ())
        return tuple(piece for piece in found if piece.end_us > begin_us and piece.start_us < end_us)

    def heard(self, port: int, tone: Tone) -> tuple[Heard, ...]:
        """Give every stretch of a tone in all of a port's audio."""
        from demo_ctl.measure.tones import hear

        key = (port, tone)
        if key not in self._heard:
            self._heard[key] = hear(self._pieces.get(port, ()), tone)
        return self._heard[key]
