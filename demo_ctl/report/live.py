"""The story of a call while it runs: one line for each thing a person would point at, in telephone words.

Theory of operation. Items come as `run.result.Progress` gives them, in the order in which they happened. Most are the
machinery's own and get no line: listening begins, a pause between digits is over, an edge of our own. What is told is
what people do (lift, dial, answer, hang up), what the exchange gives (tones, rings, battery turned round), the moment
in which a selector passes the caller on (its line's battery, or the current in its loop, is gone for some
milliseconds), and what a longer wait is for. The plan says who is on which port, which digit's selector is to cut
through, and what comes after a step. Nothing is judged here: that is what the table afterwards is for.
"""

from __future__ import annotations

import re

from rich.text import Text

from demo_ctl.plan.model import Check, Gate, Plan
from demo_ctl.report.words import time_words
from demo_ctl.terms.words import ordinal
from demo_ctl.wire import messages as m

#: Waits that last so long are told when they begin; people do not wonder about shorter ones.
LONG_US = 1_500_000

_CHAIN = m.IN_CHAIN_A | m.IN_CHAIN_B
_PLAIN, _SENSED, _WARNING, _ALARM = "", "cyan", "yellow", "bold red"

#: Where a step's label says who is on its port.
_WHO = re.compile(
    r"(?:listen to|ringing window for) (?P<object>.+?)(?: opens)?"
    r"|(?P<subject>.+?) (?:lifts|answers|hangs up|flashes)(?:[,:] .*)?"
)
#: The plan's words for a wait (a pattern for the whole label), and those for people; {time}: how long.
_WAITS = tuple(
    (re.compile(pattern), words)
    for pattern, words in (
        (r"talk", "they talk for {time}"),
        (r"pause", "a pause of {time}"),
        (r"pause between digits|pause before dialling|let the selector hunt|.* must have begun", ""),
        (r"listen to (dial tone) at (.+)", r"\2 listens to \1 for {time}"),
        (r"listen to (.+)", r"listening for \1 for {time}"),
        (r"let it ring", "the bell may ring for {time}"),
        (r"half a (ring|silence)", r"waiting for the middle of the \1"),
        (r"flash", ""),
        (r"release of (.+)", r"waiting {time} for the release of \1"),
        (r"see that nothing rings after clearing", "watching for {time} that nothing rings any more"),
        (r"see that nothing is released", ""),
        (r"rest", "the unit rests for {time}"),
    )
)
_DOES = (
    (re.compile(r"(.+) flashes: opens"), r"\1 holds the hook down"),
    (re.compile(r"(.+) flashes: closes again"), r"\1 lets the hook up again"),
    (re.compile(r"(.+) flashes"), r"\1 taps the hook"),
)
_LOST = {
    m.EVENTS[m.EV_EDGES_LOST]: "the current of a line changed too fast to be reported, {detail} times",
    m.EVENTS[m.EV_AUDIO_LOST]: "sound is missing here, {detail} pieces of 14 ms: the cable, or this computer, is slow",
    m.EVENTS[m.EV_OVERFLOW]: "the board had more to report than the cable could carry; {detail} reports are lost",
}
_HANDS_OFF = ". KEEP HANDS OFF"
#: Why the board ended a call or took ringing off, by the words that come with the item.
_AT_REST = "a relay or the bus reads as if it rang"
_REASONS = {_AT_REST: _AT_REST + _HANDS_OFF} | {
    m.R_NAMES[code]: words
    for code, words in (
        (m.R_STOP, ""),  # somebody here asked for it, and was told so
        (m.R_SILENCE, "the board heard nothing from this computer"),
        (m.R_LIMIT, "what the call waited for did not come"),
        (m.R_OVERFLOW, "the board had too much to report"),
        (m.R_LATE, "the board was too slow"),
        (m.R_WINDOW, "it rang for longer than it may"),
        (m.R_CHAIN, "a cover, the key or the emergency stop"),
        (m.R_ENDED, ""),  # no more than that
        (m.R_UNEXPECTED_RINGING, "ringing voltage where none should be" + _HANDS_OFF),
        (m.R_NEW_HELLO, "another program uses the board"),
        (m.R_LOCKED, "nobody has turned the key since the board was switched on"),
        (m.R_KEY, "the key is off"),
        (m.R_DISCREPANCY, "one channel of the safety chain opened without the other"),
        (m.R_STUCK_CHAIN, "a channel of the safety chain stays closed with the key off"),
        (m.R_MIRROR, "a guard relay did not do as it was told"),
        (m.R_NO_SILENCE, "ringing voltage did not go away" + _HANDS_OFF),
        (m.R_BUS, "there is ringing voltage behind the open guard" + _HANDS_OFF),
        (m.R_OVERCURRENT, "more ringing current than bells take"),
        (m.R_OVERVOLTAGE, "more ringing voltage than is allowed"),
        (m.R_SUPPLY, "the ringing generator, or the battery, is not right"),
        (m.R_STALE, "nothing measures the ringing bus"),
        (m.R_BURST, "a ring without its pause"),
        (m.R_CALL, "it has rung for as long as one call may"),
        (m.R_HOUR, "it has rung for as long as it may within an hour"),
        (m.R_LOOP, "the board was held up"),
        (m.R_CLOCK, "the board's clock cannot be trusted"),
        (m.R_MEMORY, "the board has hardly any memory left"),
        (m.R_TOKEN, "the board did not make all its checks"),
        (m.R_OFF_HOOK, "a telephone that takes no part is off the hook"),
        (m.R_PRESENCE, "somebody is near the unit"),
        (m.R_COVERS, "the covers are not known to be closed"),
        (m.R_PLACE, "this telephone may not be rung now"),
        (m.R_VISITORS, "the time of the visitors' session is up"),
        (m.R_NOT_ARMED, "the guard was not ready in time"),
        (m.R_FUSE, "a fuse has blown"),
        (m.R_RELEASE, "a switch does not release"),
        (m.R_SUPERVISORY, "a switch is held, and nobody is on its line"),
        (m.R_SMOKE, "SMOKE"),
        (m.R_LEASE, "this computer asked no longer for the unit's supply"),
        (m.R_NOT_HOME, "a switch stays off its rest"),
        (m.R_DEAD_BUS, "ringing is on, and its measurement says that there is none"),
        (m.R_ISOLATOR, "the ringing generator is not isolated, though something is open"),
        (m.R_NIGHT_LOST, "the key stood at night, and its night contact opened"),
    )
}

Line = tuple[str, str]


def people(plan: Plan) -> dict[int, str]:
    """Who is on which port, as the plan's own labels call them: `caller (counter)`."""
    found: dict[int, str] = {}
    for step in plan.timeline.steps:
        who = _WHO.fullmatch(step.label) if step.op in (m.OP_LOOP, m.OP_LISTEN, m.OP_RINGING) and step.port else None
        if who is not None:
            found.setdefault(step.port, who["object"] or who["subject"])
    return found


def wait_words(label: str, us: int) -> str:
    """What a wait is for, to be told as it begins; empty if it is not worth a line."""
    for pattern, words in _WAITS:
        found = pattern.fullmatch(label)
        if found is not None:
            return found.expand(words).replace("{time}", time_words(us))
    return f"{label}: {time_words(us)}"


class LiveStory:
    """Give it each item of a call that follows `plan`; it gives the lines for it, mostly none or one.

    enter: whether a person can press Enter at a gate.
    """

    def __init__(self, plan: Plan, *, enter: bool = True) -> None:
        self._plan = plan
        self._enter = enter
        self._people = people(plan)
        self._busied = {busy.place for busy in plan.busy_trunks}
        self._selectors = {
            each.index: each.title.removesuffix(" cuts through")
            for each in plan.expectations
            if each.check is Check.CUT_THROUGH
        }
        self._passing: dict[int, str] = {}  # port: what is told when its line is gone for a moment
        self._on_hook: set[int] = set()  # hung up, and not yet at rest
        self._down: set[int] = set()  # hung up
        self._rings: dict[int, int] = {}
        self._live = False  # ringing voltage may be on a line
        self._tripped = False
        self.inputs: int | None = None  # the board's, as last told; None: nobody knows, and what changes is not told

    def lines(self, kind: str, at_us: int, label: str, detail: str = "", port: int = 0, index: int = -1) -> list[Text]:
        """Return the lines for one item (the fields of a `run.result.Progress`). at_us: since the call began."""
        if not label:
            return []
        told = {
            "began": self._began,
            "ended": self._ended,
            "sensed": self._sensed,
            "inputs": self._hands,
            "gate": self._gate,
            "tone": self._tone,
            "ringing": self._ringing,
            "plan": self._state,
            "lost": self._trouble,
            "record": self._trouble,
            "stop": self._trouble,
        }.get(kind)
        found = told(label, detail, port, index) if told is not None else []
        return [Text(f"{at_us / 1e6:8.2f} s  ") + Text(text, style=style) for text, style in found]

    def _who(self, port: int) -> str:
        return self._people.get(port, f"port {port}")

    def _began(self, label: str, _detail: str, port: int, index: int) -> list[Line]:
        if self._op(index) != m.OP_PULSES:
            return []
        self._passing.pop(port, None)  # too late to be that selector's
        return [(_done(label), _PLAIN)]

    def _ended(self, label: str, detail: str, port: int, index: int) -> list[Line]:
        gate = self._person_at(index)
        if gate is not None and detail == "opened":
            return [("going on", _PLAIN), *self._next(index + 1)]
        if gate is not None and detail == "limit":
            return [(f"{gate.tell}: nobody said go on in time", _WARNING)]
        if detail == "limit":
            awaited = re.sub(r"^(?:await|hold for|let) ", "", label)
            return [(f"{awaited}: it did not come in time", _WARNING)]
        if detail == "stopped":
            return [(f"{_done(label)}: broken off", _WARNING)] if self._op(index) == m.OP_PULSES else []
        found: list[Line] = []
        if self._op(index) == m.OP_LOOP:
            found = [(_done(label), _PLAIN)]
            if self._plan.timeline.steps[index].x:
                self._down.discard(port)
                self._on_hook.discard(port)
                if not label.endswith(" answers"):
                    self._passing[port] = f"a line finder takes the line of {self._who(port)}"
            else:
                self._passing.pop(port, None)
                self._down.add(port)
                self._on_hook.add(port)
        elif index in self._selectors:
            self._passing[port] = f"{self._selectors[index]} cuts through to the next switch"
        return found + self._next(index + 1)

    def _next(self, index: int) -> list[Line]:
        """What is waited for from here on."""
        steps = self._plan.timeline.steps
        if index >= len(steps) or steps[index].op != m.OP_WAIT or steps[index].a < LONG_US:
            return []
        words = wait_words(steps[index].label, steps[index].a)
        return [(words, _PLAIN)] if words else []

    def _sensed(self, label: str, _detail: str, port: int, _index: int) -> list[Line]:
        who = self._who(port)
        if label in ("loop off", "normal off"):
            passing = self._passing.pop(port, "")
            return [(passing, _SENSED)] if passing else []
        if label == "normal on" and port in self._on_hook:
            self._on_hook.discard(port)
            return [(f"{who} is released: the line is at rest", _SENSED)]
        if label == "reversed on":
            return [(f"battery reverses at {who}: the exchange has seen the answer", _SENSED)]
        if label == "reversed off" and port not in self._down:
            return [(f"battery is normal again at {who}", _SENSED)]
        if label == "ringing on":
            if port != self._plan.called_port:
                return [(f"ringing on the line of {who}, which should not ring", _WARNING)]
            self._rings[port] = self._rings.get(port, 0) + 1
            return [(f"the bell of {who} rings, {ordinal(self._rings[port])} time", _SENSED)]
        return []

    def _hands(self, label: str, _detail: str, _port: int, _index: int) -> list[Line]:
        """What hands did at the unit: the key, and what is in the safety chain. label: the inputs, as a number."""
        was, self.inputs = self.inputs, int(label)
        if was is None:
            return []
        found: list[Line] = []
        key, night = self.inputs & m.IN_KEY, self.inputs & m.IN_NIGHT
        if (self.inputs ^ was) & (m.IN_KEY | m.IN_NIGHT):
            found.append((f"the key is turned {'off' if not key else 'to night' if night else 'to day'}", _WARNING))
        elif was & _CHAIN == _CHAIN != self.inputs & _CHAIN:
            found.append(("the safety chain opens: a cover, or the emergency stop", _WARNING))
        elif was & _CHAIN != _CHAIN == self.inputs & _CHAIN:
            found.append(("the safety chain is closed again", _WARNING))
        return found

    def _gate(self, label: str, detail: str, _port: int, index: int) -> list[Line]:
        if any(gate.index == index and gate.tone is not None for gate in self._plan.gates):
            return []  # the tone is heard soon, or missed aloud
        if self._person_at(index) is None:
            # The person has been asked before the call.
            return [(label.replace("make busy:", "busy beforehand:", 1), _PLAIN)] if detail == "go on" else []
        if detail == "go on":
            return []  # told as the board goes on
        press = "press Enter to go on" if self._enter else "nobody can press Enter here"
        return [(f"{label} - {press} ({detail})", _WARNING)]

    def _person_at(self, index: int) -> Gate | None:
        """The gate at this step, if a person is asked there."""
        for gate in self._plan.gates:
            if gate.index == index and gate.tone is None:
                return None if self._plan.timeline.steps[index].place in self._busied else gate
        return None

    def _tone(self, label: str, _detail: str, port: int, _index: int) -> list[Line]:
        self._passing.pop(port, None)
        tone, at, who = label.partition(" at ")
        return [(f"{who} hears {tone}" if at else f"{tone} is heard", _SENSED)]

    def _ringing(self, label: str, detail: str, _port: int, _index: int) -> list[Line]:
        why = _REASONS.get(detail, detail)
        because = f": {why}" if why else ""
        if label == m.GUARD_STATES[m.G_LIVE]:
            self._live = True
            return [("ringing voltage may be on a line from here on", _WARNING)]
        was, self._live = self._live, False
        again, self._tripped = self._tripped, label == m.GUARD_STATES[m.G_TRIPPED]
        if self._tripped and again:  # and not for the same reason, or it would not be told
            return [(f"the guard stays tripped, and then: {why}", _ALARM)]
        if self._tripped:
            return [
                (f"the guard trips, and ringing stays off until a person turns the key off and on{because}", _ALARM)
            ]
        return [(f"ringing voltage is off{because}", _WARNING)] if was else []  # what else it does is its own affair

    def _state(self, label: str, detail: str, _port: int, _index: int) -> list[Line]:
        why = _REASONS.get(detail, detail)
        if label == m.PLAN_STATES[m.RUNNING]:
            return self._next(0)
        self._down.update(self._people)  # what is sensed now comes of that
        if label == m.PLAN_STATES[m.FINISHED]:
            return [("the call is over: every line is released", _PLAIN)]
        if label == m.PLAN_STATES[m.ENDED_EARLY]:
            return [(f"the call ends early, every line is released{f': {why}' if why else ''}", _WARNING)]
        return []

    def _trouble(self, label: str, detail: str, port: int, _index: int) -> list[Line]:
        if label in _LOST:
            where = f" ({self._who(port)})" if port else ""
            return [(_LOST[label].replace("{detail}", detail) + where, _WARNING)]
        return [(f"{label}: {detail}" if detail else label, _WARNING)]

    def _op(self, index: int) -> int:
        steps = self._plan.timeline.steps
        return steps[index].op if 0 <= index < len(steps) else 0


def _done(label: str) -> str:
    """What somebody does, in words for people."""
    for pattern, words in _DOES:
        found = pattern.fullmatch(label)
        if found is not None:
            return found.expand(words)
    return label
