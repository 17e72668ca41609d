"""The failure table as data: `wiring/failures.yaml`, each single fault of each part, read, checked and rendered.

A row is one fault (or the same one in either channel), with one or more cases: what happens while ringing is on, and
while it is off. A case names paths of the reaction budget, never milliseconds: the times are worked out from the
guard's hardware and from the firmware, so a table cannot disagree with them.

What is checked here, with file and line: that paths, reasons and steps of the proving exist and fit each other, and
that **no single fault leaves ringing on with a cover open**: the table has no way to say that one does. Where the board
cannot take ringing away, the chain does (BY_CHAIN), and then the board must tell somebody to open it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from demo_ctl.board import limits
from demo_ctl.link.advice import REASONS
from demo_ctl.link.limits import LimitsInForce
from demo_ctl.safety.guard_data import Guard
from demo_ctl.safety.proving_night import whole
from demo_ctl.safety.reaction import NOTICED, RINGING_OFF, budget
from demo_ctl.safety.reaction import Path as WayOff
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.located import Findings, Located, did_you_mean, parse_model, read_text
from demo_ctl.terms.strict import Frozen
from demo_ctl.terms.words import time_text
from demo_ctl.wire import messages as m

Text = Annotated[str, Field(min_length=3, max_length=900)]
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{2,40}$")]

DEFAULT_FAILURES = Path("wiring/failures.yaml")

#: How ringing ends where no path of the budget is meant.
IN_ORDER = "in order"  # nothing has to end: ringing goes on as it should, within its window
NOTHING_RINGS = "nothing rings"
BY_CHAIN = "by the chain"  # the guard cannot; a cover, the stop or the key does, by the isolating contactor
NO_PATH = (IN_ORDER, NOTHING_RINGS, BY_CHAIN)

#: The path by which a chain that opens ends it then.
ISOLATED = "isolator opens"

#: Who notices, when it is not the board: the program on the host.
HOST = "host"

#: Codes by name, and reasons that are no trip by a fault: refusals, and ends that are part of how a session goes.
CODES: dict[str, int] = {
    name: value for name, value in vars(m).items() if name.startswith("R_") and isinstance(value, int)
}
NO_FAULT = ("R_PLACE", "R_NOT_ARMED", "R_VISITORS")

_boot_limits: Callable[[], list[int]] = limits.safety_limits  # the firmware has no types

#: The name that stands for each cover in the steps of the proving.
A_COVER = "a cover"


class Noticing(Frozen):
    """Who notices, and the path of the budget that says within what time."""

    by: str
    within: str


class Case(Frozen):
    """What a fault does in one situation."""

    during: Literal["ringing on", "ringing off", "any time"] = Field(alias="while")
    happens: Text
    by_wire: Text
    silence: str = Field(description="path of the budget, 'in order', 'nothing rings' or 'by the chain'")
    noticed: tuple[Noticing, ...] = ()
    proving: str | None = Field(default=None, description="the step of the proving that finds it")
    else_noticed: Text | None = Field(default=None, description="where neither board nor proving finds it: who does")
    person: Text


class Failure(Frozen):
    """One fault of one part. bench: the same fault on the bench; none: not_simulated says why."""

    fault: Name
    part: Text
    wrong: Text
    bench: tuple[Name, ...] = ()
    not_simulated: Text | None = None
    ringing_with_cover_open: bool
    cases: Annotated[tuple[Case, ...], Field(min_length=1)]


class Failures(Frozen):
    """The table."""

    format: Literal["demo_ctl failures 1"]
    about: Text
    failures: Annotated[tuple[Failure, ...], Field(min_length=1)]

    def bench_names(self) -> tuple[str, ...]:
        """Return the names of all faults that the bench has, in order."""
        return tuple(name for failure in self.failures for name in failure.bench)

    def reasons(self) -> frozenset[str]:
        """Return every reason (R_...) that some case names."""
        return frozenset(one.by for failure in self.failures for case in failure.cases for one in case.noticed) - {HOST}


def failures_path(given: str | None = None) -> Path:
    """Return the file: the one given, or the project's own below this folder or beside the program."""
    if given is not None:
        return Path(given)
    for base in (Path(), Path(__file__).resolve().parents[2]):
        if (base / DEFAULT_FAILURES).is_file():
            return base / DEFAULT_FAILURES
    raise InputError(f"there is no {DEFAULT_FAILURES} here", next_step="Run this in the checkout of demo_ctl.")


def load_failures(guard: Located[Guard], path: str | Path | None = None) -> Located[Failures]:
    """Read the table. Raises InputError with file and line of everything that is wrong with it."""
    found = failures_path(None if path is None else str(path))
    return parse_failures(read_text(found), str(found), guard)


def parse_failures(text: str, file: str, guard: Located[Guard]) -> Located[Failures]:
    """Read the table's text; `file` names it in messages. Raises InputError."""
    located = parse_model(text, file, Failures, kind="failure table")
    check_failures(located, ways_off(guard)).raise_any()
    return located


def ways_off(guard: Located[Guard]) -> dict[str, WayOff]:
    """Return the paths of the reaction budget by their names."""
    return {line.path.name: line.path for line in budget(guard)}


def proving_steps() -> tuple[str, ...]:
    """Return the names of the proving's steps, for a unit with one cover."""
    in_force = LimitsInForce(dict(zip(m.LIMIT_NAMES, _boot_limits(), strict=True)), 0)
    return tuple(dict.fromkeys(step.name for step in whole((A_COVER,), in_force, covers_contact=True)))


def must_be_named() -> tuple[str, ...]:
    """Return every reason of which some row must tell: all that trip, or take ringing off while it is live."""
    takes_off = (m.R_SILENCE, m.R_LATE, m.R_OVERFLOW, m.R_ENDED, m.R_PRESENCE, m.R_COVERS, m.R_NIGHT_LOST)
    return tuple(
        name
        for name, code in CODES.items()
        if name not in NO_FAULT and code in REASONS and (REASONS[code].trip or code in takes_off)
    )


def check_failures(located: Located[Failures], ways: Mapping[str, WayOff]) -> Findings:
    """Return everything that is wrong with a table that has the right keys."""
    findings = Findings(located)
    seen: dict[str, str] = {}
    steps = proving_steps()
    for index, failure in enumerate(located.value.failures):
        place = ("failures", index)
        for name in (failure.fault, *failure.bench):
            if seen.setdefault(name, failure.fault) != failure.fault or (
                name == failure.fault and [each.fault for each in located.value.failures].count(name) > 1
            ):
                findings.add(f"'{name}' stands in the table twice", *place)
        if bool(failure.bench) == bool(failure.not_simulated):
            findings.add(f"{failure.fault}: expected either 'bench' or 'not simulated', with the reason", *place)
        if failure.ringing_with_cover_open:
            findings.add(
                f"{failure.fault}: a single fault must not leave ringing on with a cover open",
                *place,
                "ringing with cover open",
            )
        for number, case in enumerate(failure.cases):
            _case(failure, case, (*place, "cases", number), ways, steps, findings)
    return findings


def _case(
    failure: Failure,
    case: Case,
    place: tuple[str | int, ...],
    ways: Mapping[str, WayOff],
    steps: Sequence[str],
    findings: Findings,
) -> None:
    name = failure.fault
    way = ways.get(case.silence)
    if case.silence not in NO_PATH and (way is None or way.ends != RINGING_OFF):
        known = [each.name for each in ways.values() if each.ends == RINGING_OFF]
        findings.add(
            f"{name}: silence: '{case.silence}' is no path to silence{did_you_mean(case.silence, known)}; expected one,"
            f" or {', '.join(NO_PATH)}",
            *place,
            "silence",
        )
    if case.during == "ringing on" and case.silence == NOTHING_RINGS:
        findings.add(f"{name}: silence: ringing is on, so it must end somehow", *place, "silence")
    if case.silence == BY_CHAIN and not any(one.by != HOST for one in case.noticed):
        findings.add(f"{name}: silence: the board must tell somebody to open the chain", *place, "silence")
    if not (case.noticed or case.proving or case.else_noticed):
        findings.add(f"{name}: expected 'noticed', 'proving' or 'else noticed'", *place)
    if case.proving is not None and case.proving not in steps:
        findings.add(
            f"{name}: proving: there is no step '{case.proving}'{did_you_mean(case.proving, steps)}", *place, "proving"
        )
    for number, noticing in enumerate(case.noticed):
        where = (*place, "noticed", number)
        within = ways.get(noticing.within)
        if within is None:
            findings.add(
                f"{name}: within: there is no path '{noticing.within}'{did_you_mean(noticing.within, ways)}", *where
            )
        elif noticing.by == HOST:
            if within.ends != NOTICED or within.reasons:
                findings.add(f"{name}: within: '{noticing.within}' is a path of the board, not of the host", *where)
        elif noticing.by not in CODES:
            findings.add(f"{name}: by: there is no reason {noticing.by}{did_you_mean(noticing.by, CODES)}", *where)
        elif CODES[noticing.by] not in within.reasons:
            findings.add(f"{name}: within: '{noticing.within}' does not end with {noticing.by}", *where)


# Rendering.


@dataclass(frozen=True)
class Shown:
    """One case in words, for a table."""

    fault: str
    part: str
    wrong: str
    during: str
    happens: str
    by_wire: str
    silence: str
    noticed: str
    person: str
    bench: str


def shown(failures: Failures, ways: Mapping[str, WayOff]) -> tuple[Shown, ...]:
    """Return every case in words, in the file's order."""
    return tuple(
        Shown(
            failure.fault,
            failure.part,
            failure.wrong,
            case.during,
            case.happens,
            case.by_wire,
            _silence(case, ways),
            _noticed(case, ways),
            case.person,
            _bench(failure),
        )
        for failure in failures.failures
        for case in failure.cases
    )


def _silence(case: Case, ways: Mapping[str, WayOff]) -> str:
    if case.silence == IN_ORDER:
        return "ringing goes on as it should, and ends in order"
    if case.silence == BY_CHAIN:
        return f"{time_text(ways[ISOLATED].total_us)} after a cover, the stop or the key opens the chain ({ISOLATED})"
    if case.silence == NOTHING_RINGS:
        return case.silence
    return f"{time_text(ways[case.silence].total_us)} ({case.silence})"


def _noticed(case: Case, ways: Mapping[str, WayOff]) -> str:
    said = []
    for one in case.noticed:
        who = "the program on the host" if one.by == HOST else f"the board: {m.R_NAMES[CODES[one.by]]}"
        said.append(f"{who}, {time_text(ways[one.within].total_us)} ({one.within})")
    if case.proving:
        said.append(f"{'' if said else 'nobody until '}the proving, step '{case.proving}'")
    if case.else_noticed:
        said.append(case.else_noticed)
    return "; ".join(said)


def _bench(failure: Failure) -> str:
    return f"not simulated: {failure.not_simulated}" if failure.not_simulated else ", ".join(failure.bench)


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


def markdown(failures: Failures, ways: Mapping[str, WayOff]) -> str:
    """Return the table as a page for people: `wiring/FAILURES.md`."""
    rows = [
        "# What can fail, and what happens then",
        "",
        "Made from `failures.yaml` and `guard.yaml` by `demo_ctl safety failures --markdown`. Change those, not this"
        " page.",
        "",
        " ".join(failures.about.split()),
        "",
        f"{len(failures.failures)} rows; the bench can make {len(failures.bench_names())} faults of them. Times are the"
        " worst case of the reaction budget (`demo_ctl safety budget`), with the name of its path.",
    ]
    parts = dict.fromkeys(failure.part for failure in failures.failures)
    for part in parts:
        rows += ["", f"## {part[0].upper()}{part[1:]}"]
        for failure in failures.failures:
            if failure.part == part:
                rows += _section(failure, ways)
    return "\n".join(rows) + "\n"


def _section(failure: Failure, ways: Mapping[str, WayOff]) -> list[str]:
    bench = (
        f"Not on the bench: {failure.not_simulated}." if failure.not_simulated else f"On the bench: {_bench(failure)}."
    )
    rows = ["", f"### {failure.fault}", "", _cell(f"{failure.wrong[0].upper()}{failure.wrong[1:]}. {bench}")]
    rows += [
        "",
        "**Ringing with a cover open: no.**",
        "",
        "| While | What happens | The wiring by itself | Silence within | Who notices, within | What a person does |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    rows += [
        "| "
        + " | ".join(
            _cell(text)
            for text in (
                case.during,
                case.happens,
                case.by_wire,
                _silence(case, ways),
                _noticed(case, ways),
                case.person,
            )
        )
        + " |"
        for case in failure.cases
    ]
    return rows
