"""What follows from facts, whoever told them: the stage of the call, and the tones that nobody listens for.

The stage is the caller's. A tone is told as heard where the plan has the board wait for it; elsewhere it follows from
where the switches stand: dial tone with the first B, busy tone with a connector on a line in use, and so on.
"""

from __future__ import annotations

from demo_ctl.office.model import Line, Tone, Unit
from demo_ctl.office.numbers import digit_sent
from demo_ctl.office.route import counted_digits, hunting_group, number_digits, route
from demo_ctl.plan.model import Plan
from demo_ctl.show.facts import CALLED, CALLER, ENDS, Fact
from demo_ctl.show.model import STAGES
from demo_ctl.show.scene import FINDER, stage_names

(
    REST,
    LIFTED,
    FINDING,
    DIAL_TONE,
    DIALLING,
    SELECTING,
    CONNECTING,
    RINGING,
    TALKING,
    TONE,
    CLEARING,
    ENDED,
) = range(len(STAGES))

_DIAL, _RINGBACK, _BUSY, _OVERFLOW, _VACANT = 1, 2, 3, 4, 5
_VACANT_TONES = {"vacant tone": _VACANT, "busy tone": _BUSY, "silence": 0}


def tone_number(unit: Unit, tone: Tone | None) -> int:
    """Return a tone's index into TONES; 0 for one that is none of the unit's."""
    tones = unit.tones
    all_tones = (None, tones.dial, tones.ringback, tones.busy, tones.overflow, tones.vacant)
    return all_tones.index(tone) if tone is not None and tone in all_tones else 0


class Follow:
    """Give it every fact as it is told; it gives the facts that follow at once."""

    def __init__(self, plan: Plan, unit: Unit, ends: dict[str, Line]) -> None:
        self._unit = unit
        self._ends = ends
        self._line_parts = {f"line {line.name}": end for end, line in ends.items()}
        self._listens = {
            end
            for end, line in ends.items()
            if any(gate.port == line.port and gate.tone == unit.tones.dial for gate in plan.gates)
        }
        self._names = sorted(stage_names(unit), key=len, reverse=True)
        self._order = stage_names(unit)
        self.stage = REST
        self._tone = {CALLER: 0, CALLED: 0}
        self._digit = {CALLER: 0, CALLED: 0}
        self.off_hook = {CALLER: False, CALLED: False}
        self.lifted: set[int] = set()  # ports of lines at neither end, that the board holds off their hooks
        self._at: dict[tuple[str, str], int] = {}
        self._asked: dict[str, Line] = {}  # whose terminal a connector came to first
        self._serves: dict[str, str] = {}  # part: whose end
        for name in stage_names(unit):
            self._serves[f"{name} of {CALLER}"] = CALLER

    def on(self, fact: Fact, number: int, *, tap: bool = False) -> list[Fact]:
        """Return what follows from a fact that has just become happening `number`. tap: the hook is down briefly."""
        out: list[Fact] = []
        part, thing, value = fact.part, fact.thing, fact.value
        self._at[part, thing] = value
        if part in (CALLER, CALLED):
            self._on_party(fact, tap, out)
        elif part in self._line_parts:
            if thing == "line relay" and value and part == self._line_part(CALLER):
                self._go(FINDING, fact, out, (REST, LIFTED, CLEARING))
        elif thing == "serves":
            self._on_serves(fact, out)
        elif part in self._serves:
            self._on_switch(fact, self._serves[part], out)
        return [each._replace(trigger=number) for each in out]

    def ended(self, at_us: int, event: int) -> list[Fact]:
        """The plan is over."""
        out: list[Fact] = []
        self._go(ENDED, Fact(at_us, "call", "stage", ENDED, "sensed", event), out, range(ENDED))
        return out

    # -- parties ------------------------------------------------------------------------------------------------

    def _on_party(self, fact: Fact, tap: bool, out: list[Fact]) -> None:
        end, thing, value = fact.part, fact.thing, fact.value
        if thing == "hook":
            self.off_hook[end] = bool(value)
            if value and end == CALLER:
                self._go(LIFTED, fact, out, (REST, CLEARING))
            elif not value and not tap:
                self._hear(end, 0, fact, out)
                if end == CALLER or self.stage == TALKING:
                    self._go(CLEARING, fact, out, range(LIFTED, CLEARING))
        elif thing == "digit":
            self._digit[end] = value
            if end == CALLER and value:
                self._go(DIALLING, fact, out, range(REST, CLEARING))
        elif thing == "ringing" and end == CALLED:
            if value:
                self._go(RINGING, fact, out, (DIALLING, SELECTING, CONNECTING))
            if self.stage == RINGING:
                self._hear(CALLER, _RINGBACK if value else 0, fact, out)
        elif thing == "battery" and end == CALLER and value == 2:
            self._go(TALKING, fact, out, (CONNECTING, RINGING))
        elif thing == "tone":
            self._tone[end] = value
            if end == CALLER and value == _DIAL:
                self._go(DIAL_TONE, fact, out, (REST, LIFTED, FINDING, CLEARING))
            elif end == CALLER and value >= _BUSY:
                self._go(TONE, fact, out, range(DIAL_TONE, RINGING))

    # -- switches -----------------------------------------------------------------------------------------------

    def _on_serves(self, fact: Fact, out: list[Fact]) -> None:
        end = self._serves.get(fact.part)
        if fact.value:
            self._serves[fact.part] = ENDS[fact.value]
        elif end is not None and not fact.part.endswith(f" of {CALLER}"):
            del self._serves[fact.part]
        if end is not None and not fact.value and fact.part.startswith(FINDER) and self._digit[end]:
            self._digit[end] = 0
            out.append(Fact(fact.at_us, end, "digit", 0, "inferred", fact.event))

    def _on_switch(self, fact: Fact, end: str, out: list[Fact]) -> None:
        stage, thing, value = self._stage(fact.part), fact.thing, fact.value
        last = stage == len(self._order) - 1
        if stage == 1 and thing == "B" and value and end not in self._listens and not self._level(fact.part):
            self._hear(end, _DIAL, fact, out)
        elif stage == 1 and thing == "off-normal" and value and self._tone[end] == _DIAL:
            self._hear(end, 0, fact, out)
        elif thing == "rotary" and value == 11 and not last:
            self._hear(end, _OVERFLOW, fact, out)
        elif thing == "release magnet" and value and stage == 0:
            self._hear(end, 0, fact, out)
            if end == CALLER:
                self._go(CLEARING, fact, out, range(LIFTED, CLEARING))
        elif last and value and thing in ("cut-through", "rotary") and self._at.get((fact.part, "cut-through"), 0):
            self._tested(fact, end, out)
        elif last and thing == "F" and value:
            self._hear(end, 0, fact, out)
        elif last and thing == "D" and value and end == CALLER:
            self._go(TALKING, fact, out, (CONNECTING, RINGING))
        if thing == "C" and not value and end == CALLER:
            tested = last and self._at.get((fact.part, "rotary"), 0)
            self._go(CONNECTING if tested else SELECTING, fact, out, (DIAL_TONE, DIALLING))

    def _tested(self, fact: Fact, end: str, out: list[Fact]) -> None:
        """A connector has come to a terminal and looks at it."""
        line = self._line_of(end)
        if fact.thing == "cut-through" and line is not None:
            self._asked[end] = line
        if line is None or line.vacant:
            self._hear(end, _VACANT_TONES[self._unit.connector.vacant], fact, out)
        elif self.is_busy(line) and not self._goes_on(line, end):
            self._hear(end, _BUSY, fact, out)

    def _goes_on(self, line: Line, end: str) -> bool:
        """Whether the connector hunts on from a line in use: its group was dialled, and this isn't the last of it."""
        group = hunting_group(self._unit, self._asked.get(end, line))
        return line in group[:-1]

    def is_busy(self, line: Line) -> bool:
        """Whether a line is known to be in use."""
        return line.port in self.lifted or any(self.off_hook[end] for end, one in self._ends.items() if one == line)

    def _counted(self, line: Line) -> str:
        return counted_digits(route(self._unit, number_digits(self._unit, line)))

    def _stands(self, end: str) -> str:
        """The digits that lead to where the shafts of a train stand, as far as they do."""
        train: dict[int, str] = {}
        for part, whom in self._serves.items():
            stage = self._stage(part)
            if whom == end and stage and self._level(part):
                train[stage] = part
        last = len(self._order) - 1
        scheme = self._unit.numbering.pulses
        digits = "".join(digit_sent(self._level(part), scheme) for _, part in sorted(train.items()))
        if last in train and self._at.get((train[last], "rotary"), 0):
            digits += digit_sent(self._at[train[last], "rotary"], scheme)
        return digits

    def _line_of(self, end: str) -> Line | None:
        where = self._stands(end)
        return next((line for line in self._unit.lines if self._counted(line) == where), None)

    def _level(self, part: str) -> int:
        return self._at.get((part, "vertical"), 0)

    def _stage(self, part: str) -> int:
        name = next((name for name in self._names if part.startswith(f"{name} ")), FINDER)
        return self._order.index(name)

    def _line_part(self, end: str) -> str:
        line = self._ends.get(end)
        return f"line {line.name}" if line is not None else ""

    # -- telling ------------------------------------------------------------------------------------------------

    def _hear(self, end: str, tone: int, fact: Fact, out: list[Fact]) -> None:
        if end in self._ends and self._tone[end] != tone and (self.off_hook[end] or not tone):
            self._tone[end] = tone
            out.append(Fact(fact.at_us, end, "tone", tone, "inferred", fact.event))

    def _go(self, stage: int, fact: Fact, out: list[Fact], comes_from: range | tuple[int, ...]) -> None:
        if self.stage in comes_from and self.stage != stage:
            self.stage = stage
            out.append(Fact(fact.at_us, "call", "stage", stage, fact.known, fact.event))
