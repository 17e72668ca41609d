"""A timeline in the making: instructions in order, each with its label, its place in the script, and how long it
may take. The rest of this room speaks of lifting and dialling; only here do words become instructions.
"""

from __future__ import annotations

from dataclasses import replace

from demo_ctl.office.check import LONGEST_WINDOW_US
from demo_ctl.office.model import Tone
from demo_ctl.plan.model import Gate, Step
from demo_ctl.terms.errors import Place, PlanError
from demo_ctl.terms.words import time_text
from demo_ctl.wire import messages as wire

#: Added to a ringing window for the board's own few milliseconds an instruction.
RING_MARGIN_US = 200_000

#: Longest single wait a board of ours performs; longer ones become several instructions.
MOST_WAIT_US = 600_000_000

#: Largest number an instruction carries.
LARGEST = 2**32 - 1


class Draft:
    """Steps so far, and what is open: loops, the listening channel, the ringing window."""

    def __init__(self, ringing_longest_us: int) -> None:
        self.steps: list[Step] = []
        self.gates: list[Gate] = []
        self.least: list[int] = []
        self.most: list[int] = []
        self.listening = 0
        self.listening_from = -1
        self.ringing_port = 0
        self._ringing_from = -1
        self.rang = False
        self._ring_most_us = min(LONGEST_WINDOW_US, ringing_longest_us)

    @property
    def last(self) -> int:
        """Index of the newest step."""
        return len(self.steps) - 1

    def span(self, index: int, until: int | None = None) -> tuple[int, int]:
        """Shortest and longest time from the end of step `index` to the end of step `until` (default: so far)."""
        end = len(self.steps) if until is None else until + 1
        return sum(self.least[index + 1 : end]), sum(self.most[index + 1 : end])

    def add(
        self,
        op: int,
        port: int,
        label: str,
        place: Place,
        *,
        x: int = 0,
        a: int = 0,
        b: int = 0,
        digit: str = "",
        least: int = 0,
        most: int = 0,
    ) -> int:
        """Append one instruction; return its index. least, most: how long it may take, microseconds."""
        if max(a, b) > LARGEST:
            raise PlanError(
                f"{label}: {time_text(max(a, b))} is longer than one instruction can last ({time_text(LARGEST)})",
                where=place,
                next_step="Shorten it, or choose a pace nearer to 1.",
            )
        self.steps.append(Step(op, port, x, a, b, label, place, digit))
        self.least.append(least)
        self.most.append(most)
        return self.last

    def wait(self, us: int, label: str, place: Place) -> int:
        """Let time pass, exactly; return the index of the (last) wait."""
        while us > MOST_WAIT_US:
            self.add(wire.OP_WAIT, 0, label, place, a=MOST_WAIT_US, least=MOST_WAIT_US, most=MOST_WAIT_US)
            us -= MOST_WAIT_US
        return self.add(wire.OP_WAIT, 0, label, place, a=us, least=us, most=us)

    def loop(self, port: int, closed: bool, label: str, place: Place) -> int:
        """Close or open a port's loop."""
        return self.add(wire.OP_LOOP, port, label, place, x=int(closed))

    def pulses(self, port: int, count: int, us: tuple[int, int], label: str, place: Place, digit: str) -> int:
        """Send `count` breaks, each with its make."""
        break_us, make_us = us
        took = count * (break_us + make_us)
        return self.add(
            wire.OP_PULSES, port, label, place, x=count, a=break_us, b=make_us, digit=digit, least=took, most=took
        )

    def until(
        self,
        port: int,
        signal: int,
        level: int,
        limit_us: int,
        label: str,
        place: Place,
        count: int = 1,
        least: int = 0,
    ) -> int:
        """Wait for a signal's level, `count` times; at the limit the plan ends."""
        x = signal << 1 | level | count << 8
        return self.add(wire.OP_WAIT_FOR, port, label, place, x=x, a=limit_us, b=1, least=least, most=limit_us)

    def gate(
        self, port: int, tone: Tone | None, limit_us: int, tell: str, label: str, place: Place, *, stage: str = ""
    ) -> int:
        """Hold until the host says go: when it hears `tone`, or when a person says so.

        At the limit the plan ends; at a stable point of a show (`stage`) it goes on by itself.
        """
        number = len(self.gates) + 1
        index = self.add(wire.OP_GATE, port, label, place, x=number, a=limit_us, b=int(not stage), most=limit_us)
        self.gates.append(Gate(number, index, port, tone, tell, limit_us, stage))
        return index

    def listen(self, port: int, who: str, place: Place) -> int:
        """Stream a port's audio (there is one listening channel); return where this listening began."""
        if self.listening != port:
            self.deaf(place)
            self.listening = port
            self.listening_from = self.add(wire.OP_LISTEN, port, f"listen to {who}", place, x=1)
        return self.listening_from

    def deaf(self, place: Place) -> None:
        """Stop listening, if anything is listened to."""
        if self.listening:
            self.add(wire.OP_LISTEN, self.listening, "stop listening", place)
            self.listening, self.listening_from = 0, -1

    def open_ringing(self, port: int, who: str, place: Place) -> None:
        """Allow ringing at exactly this port, from here; how long follows when the window is closed."""
        self.ringing_port = port
        self.rang = True
        self._ringing_from = self.add(wire.OP_RINGING, port, f"ringing window for {who} opens", place, x=1)

    def close_ringing(self, place: Place) -> None:
        """Close the ringing window, and give its opening the length that was needed."""
        if not self.ringing_port:
            return
        index = self.add(wire.OP_RINGING, self.ringing_port, "ringing window closes", place)
        start = self._ringing_from
        need = self.span(start, index)[1] + RING_MARGIN_US
        if need > self._ring_most_us:
            longest = max(range(start + 1, index), key=lambda step: self.most[step])
            raise PlanError(
                f"ringing could last {time_text(need)} here, and no ringing window may be longer than"
                f" {time_text(self._ring_most_us)}",
                where=self.steps[longest].place,
                next_step="Let the bell ring fewer times, answer earlier, or set a shorter `within` or `for`.",
            )
        self.steps[start] = replace(self.steps[start], a=need)
        self.ringing_port, self._ringing_from = 0, -1
