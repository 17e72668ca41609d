"""What can be wrong with a call script whatever the unit: who acts when, and windows that hold nothing.

The steps are walked once with a small state: who is off the hook, who has dialled, who has been answered.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from demo_ctl.script.model import (
    CHECKS,
    Answer,
    Await,
    Call,
    Dial,
    Flash,
    Gate,
    HangUp,
    Lift,
    Override,
    Pause,
    Rings,
    Talk,
    Tones,
)
from demo_ctl.terms.located import Findings, Located, did_you_mean, listed
from demo_ctl.terms.quantity import parse_quantity

#: An instruction's times are 32 bits of microseconds; an hour leaves room for a slow pace to be refused by name.
LONGEST_US = 3_600_000_000

_COUNT = re.compile(r"\s*(\d{1,6})\s*[a-z]*\s*")


def check_call(located: Located[Call]) -> Findings:
    """Return everything that is wrong with a script that has the right keys and types."""
    findings = Findings(located)
    _parties(located, findings)
    _dial_as(located, findings)
    _Walk(located, findings).run()
    _expect(located, findings)
    _must_not(located, findings)
    return findings


def _parties(located: Located[Call], findings: Findings) -> None:
    seen: dict[str, str] = {}
    for party, line in located.value.parties.items():
        if line in seen:
            first = located.place("parties", seen[line]).line
            findings.add(
                f"{party}: the line '{line}' is already the line of '{seen[line]}' (line {first})", "parties", party
            )
        seen.setdefault(line, party)
    stated: dict[tuple[int, str], int] = {}
    for index, busy in enumerate(located.value.trunks_busy):
        key = (busy.stage, busy.level)
        if key in stated:
            findings.add(f"stage {busy.stage}, level {busy.level} is stated twice", "trunks busy", index)
        stated[key] = index


def _dial_as(located: Located[Call], findings: Findings) -> None:
    dial_as = located.value.dial_as
    if dial_as.speed_pps is not None and not 1 <= dial_as.speed_pps <= 30:
        findings.add(f"speed: found {dial_as.speed_pps:g} pps, expected 1 to 30 pps", "dial as", "speed")
    if dial_as.break_pct is not None and not 5 <= dial_as.break_pct <= 95:
        findings.add(f"break: found {dial_as.break_pct:g} %, expected 5 to 95 %", "dial as", "break")
    if dial_as.pause_us is not None and not 0 < dial_as.pause_us <= LONGEST_US:
        findings.add("pause: expected more than nothing and at most an hour", "dial as", "pause")


@dataclass
class _Walk:
    """Who is off the hook (party -> step that lifted), what was dialled, who is connected to whom."""

    located: Located[Call]
    findings: Findings
    lifted: dict[str, int] = field(default_factory=dict)
    dialled: set[str] = field(default_factory=set)
    #: The party whose dialling may be answered now.
    calling: str = ""
    answered: str = ""
    #: Parties said to be unknown already: once is enough.
    unknown: set[str] = field(default_factory=set)
    #: Whether only a part of the number was dialled: a tap then counts as its next digit.
    partly: bool = False

    def run(self) -> None:
        """Walk all steps in order."""
        for index, step in enumerate(self.located.value.steps):
            match step:
                case Lift():
                    self.lift(index, step)
                case Await():
                    self.await_(index, step)
                case Dial():
                    self.dial(index, step)
                case Answer():
                    self.answer(index, step)
                case Talk():
                    self.time(index, "talk", step.talk_us)
                    if not self.answered:
                        self.wrong("talk: nobody has answered yet", index, "talk")
                case Pause():
                    self.time(index, "pause", step.pause_us)
                case Flash():
                    self.flash(index, step)
                case HangUp():
                    self.hang_up(index, step)
                case Gate():
                    self.time(index, "limit", step.limit_us)

    def wrong(self, text: str, index: int, *path: str) -> None:
        self.findings.add(text, "steps", index, *path)

    def time(self, index: int, key: str, us: int) -> None:
        """Refuse times of nothing, and of more than an hour."""
        if us == 0:
            self.wrong(f"{key}: found no time at all, expected a time such as '2 s'", index, key)
        elif us > LONGEST_US:
            self.wrong(f"{key}: found more than an hour, expected at most 60 min", index, key)

    def declared(self, party: str, index: int, key: str) -> bool:
        """Check that a party stands under `parties`."""
        known = self.located.value.parties
        if party in known:
            return True
        if party in self.unknown:
            return False
        self.unknown.add(party)
        hint = did_you_mean(party, known) or f"; expected {listed(known)}"
        self.wrong(f"{key}: found '{party}', which is no party of this script{hint}", index, key)
        return False

    def off_hook(self, party: str, index: int, key: str, does: str) -> bool:
        """Check that a declared party has lifted."""
        if not self.declared(party, index, key):
            return False
        if party not in self.lifted:
            self.wrong(f"'{party}' {does}, but has not lifted (or has hung up)", index, key)
            self.lifted[party] = index  # said once; go on as if it had
        return True

    def lift(self, index: int, step: Lift) -> None:
        party = step.lift
        if not self.declared(party, index, "lift"):
            return
        if party in self.lifted:
            line = self.located.place("steps", self.lifted[party]).line
            self.wrong(f"'{party}' lifts, but is off the hook since line {line}", index, "lift")
        self.lifted.setdefault(party, index)

    def dial(self, index: int, step: Dial) -> None:
        key = "party" if "party" in step.model_fields_set else "dial"
        self.off_hook(step.party, index, key, "dials")
        if step.party in self.dialled:
            self.wrong(f"'{step.party}' has dialled already; it would have to hang up first", index, "dial")
        self.dialled.add(step.party)
        self.calling = step.party
        self.partly = step.only is not None

    def answer(self, index: int, step: Answer) -> None:
        party = step.answer
        if not self.declared(party, index, "answer"):
            return
        if not self.calling:
            self.wrong(f"'{party}' answers, but nobody has dialled yet", index, "answer")
        elif party == self.calling:
            self.wrong(f"'{party}' answers its own call", index, "answer")
        elif party in self.lifted:
            line = self.located.place("steps", self.lifted[party]).line
            self.wrong(f"'{party}' answers, but is off the hook since line {line}", index, "answer")
        elif self.answered:
            self.wrong(f"'{party}' answers, but '{self.answered}' has answered this call", index, "answer")
        if not isinstance(step.after, Rings) and step.after > LONGEST_US:
            self.time(index, "after", step.after)
        self.lifted.setdefault(party, index)
        self.answered = party

    def hang_up(self, index: int, step: HangUp) -> None:
        party = step.hang_up
        if self.off_hook(party, index, "hang up", "hangs up"):
            del self.lifted[party]
            self.cleared(party)

    def cleared(self, party: str) -> None:
        """Forget the call of a party that has let go."""
        self.dialled.discard(party)
        if party == self.calling:
            self.calling = self.answered = ""

    def flash(self, index: int, step: Flash) -> None:
        party = step.flash
        self.time(index, "open", step.open_us)
        if not self.off_hook(party, index, "flash", "flashes"):
            return
        talking = bool(self.answered) and party in (self.calling, self.answered)
        if step.shows == "digit 1" and party in self.dialled and not self.partly:
            self.wrong(
                f"shows: after '{party}' has dialled, a short tap is no digit; expected 'break' or 'release'",
                index,
                "shows",
            )
        if step.shows == "break" and not talking and party not in self.dialled:
            self.wrong(
                "shows: before dialling a short tap counts as a digit; expected 'digit 1' or 'release'", index, "shows"
            )
        if step.shows == "release":
            self.cleared(party)

    def await_(self, index: int, step: Await) -> None:
        awaited = step.awaited
        for key, us in (("within", step.within_us), ("for", step.for_us)):
            if us is not None:
                self.time(index, key, us)
        if step.for_us is not None and awaited not in Tones:
            self.wrong(f"for: how long a tone is listened to; '{awaited}' is no tone", index, "for")
        if step.rings is not None and awaited != "ringing":
            self.wrong(f"rings: goes with 'ringing', found with '{awaited}'", index, "rings")
        if awaited == "ringing":
            if step.at is not None and self.declared(step.at, index, "at") and step.at in self.lifted:
                self.wrong(f"ringing is awaited at '{step.at}', which is off the hook", index, "at")
        else:
            at = step.at or self.calling or "caller"
            key = "at" if step.at is not None else "await"
            if not self.off_hook(at, index, key, f"is to notice '{awaited}'"):
                return
        if awaited == "dial tone":
            return
        if not self.calling:
            self.wrong(f"'{awaited}' is awaited, but nothing has been dialled", index, "await")
        elif awaited == "reversal" and not self.answered:
            self.wrong("'reversal' is awaited, but nobody has answered", index, "await")


def bound_value(text: str, dimension: str) -> float:
    """Read one edge of a window. Raises ValueError with a message for people."""
    if dimension != "count":
        return float(parse_quantity(text, dimension))
    match = _COUNT.fullmatch(text)
    if match is None:
        raise ValueError(f"expected a whole number, such as '2', found {text[:60]!r}")
    return float(match[1])


def _expect(located: Located[Call], findings: Findings) -> None:
    for name, own in located.value.expect.items():
        if name not in CHECKS:
            hint = did_you_mean(name, CHECKS) or "; expected one of: " + ", ".join(CHECKS)
            findings.add(f"found '{name[:60]}', which is no kind of check{hint}", "expect", name)
            continue
        _window(name, own, findings)


def _window(name: str, own: Override, findings: Findings) -> None:
    if own.low is None and own.high is None:
        findings.add(f"{name}: a window needs 'from', 'to' or both", "expect", name)
    edges: list[float] = []
    for key, text in (("from", own.low), ("to", own.high)):
        if text is None:
            continue
        try:
            edges.append(bound_value(text, CHECKS[name]))
        except ValueError as error:
            findings.add(f"{key}: {error}", "expect", name, key)
    if len(edges) == 2 and edges[0] > edges[1]:
        findings.add(f"{name}: from {own.low} to {own.high} holds nothing; swap them", "expect", name)


def _must_not(located: Located[Call], findings: Findings) -> None:
    call = located.value
    awaited = {step.awaited for step in call.steps if isinstance(step, Await)}
    waited_for = {
        "any ringing": any(isinstance(step, Answer) for step in call.steps) or bool(awaited & {"ringing", "ringback"}),
        "reversal": "reversal" in awaited,
        "overflow tone": "overflow tone" in awaited,
    }
    for index, what in enumerate(call.must_not):
        if call.must_not.index(what) != index:
            findings.add(f"'{what}' stands here twice", "must not", index)
        elif waited_for.get(what):
            findings.add(f"'{what}' must not happen, but the steps wait for it", "must not", index)
