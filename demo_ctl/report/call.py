"""A call's result for people: grouped by what the exchange does, one line a check, and a sentence for each that missed.

Pure: values in, renderables out. Fits 80 columns; says everything in words, so colour may be off.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from demo_ctl.judge.judge import spoils
from demo_ctl.judge.model import Judgement, Verdict
from demo_ctl.plan.model import Check, Plan
from demo_ctl.report.words import (
    OPTIONAL_SAYS,
    STYLES,
    allowed_words,
    measured_words,
    outcome_text,
    time_words,
    title_words,
)
from demo_ctl.terms.outcome import Outcome
from demo_ctl.wire import messages as m

#: Columns below which a table would lose its cells.
NARROW = 66
#: Groups in the order of a call, and the checks in each.
GROUPS: dict[str, tuple[Check, ...]] = {
    "dialling": (
        Check.DIAL_TONE_DELAY,
        Check.DIAL_TONE_STOP,
        Check.PULSES,
        Check.PULSE_SPEED_SENT,
        Check.PULSE_SPEED,
        Check.PERCENT_BREAK_SENT,
        Check.PERCENT_BREAK,
        Check.INTERDIGITAL,
    ),
    "switching": (
        Check.CUT_THROUGH,
        Check.POST_DIAL_DELAY,
        Check.TONE,
        Check.TONE_ON,
        Check.TONE_OFF,
        Check.NO_OVERFLOW,
    ),
    "ringing": (
        Check.FIRST_RING,
        Check.RANG,
        Check.RING_ON,
        Check.RING_OFF,
        Check.RING_TRIP,
        Check.OTHERS_RANG,
        Check.NO_RINGING,
    ),
    "supervision": (Check.ANSWER_REVERSAL, Check.CLEAR_REVERSAL, Check.HELD, Check.NO_REVERSAL),
    "release": (Check.RELEASE,),
}

INTERRUPTED = "interrupted"
REFUSED = "refused"
TRIPPED = "tripped"
#: How a call ended (`run.result.Status`), as a sentence begins.
_ENDED = {
    "finished": "The call finished",
    "ended early": "The call ended early",
    INTERRUPTED: "The call was interrupted",
    "link lost": "The call ended with the link lost",
    "tripped": "The safety guard tripped and ended the call",
    REFUSED: "The call was not begun",
    "error": "The call ended by an error of this program",
    "not ended": "The call's end is not known",
}
#: Alarms end a call as trips do, and trip no guard.
_BY_ALARM = "An alarm took the unit's supply, and ended the call"
_ALARMS = tuple(m.R_NAMES[each] for each in (m.R_SMOKE, m.R_FUSE, m.R_RELEASE, m.R_SUPERVISORY, m.R_NOT_HOME))


def group_of(check: Check) -> str:
    """The group a kind of check stands in."""
    return next(name for name, checks in GROUPS.items() if check in checks)


def grouped(verdicts: Iterable[Verdict]) -> dict[str, list[Verdict]]:
    """Verdicts by group, in the order of a call; empty groups left out."""
    found: dict[str, list[Verdict]] = {name: [] for name in GROUPS}
    for verdict in verdicts:
        found[group_of(verdict.check)].append(verdict)
    return {name: rows for name, rows in found.items() if rows}


def _same_pulses(rows: list[Verdict]) -> list[Verdict]:
    """Digits whose pulses came as dialled: they may share a line, if there are two or more."""
    same = [row for row in rows if row.check is Check.PULSES and row.outcome is Outcome.PASS]
    return same if len(same) > 1 else []


class _Group:
    """The checks of one group: a table, or on a screen too narrow for that, a short paragraph for each."""

    def __init__(self, name: str, rows: list[Verdict]) -> None:
        self.name = name.capitalize()
        self.rows = [(outcome_text(row.outcome), *cells) for row, cells in _cells(rows)]

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        if options.max_width >= NARROW:
            yield self._table()
            return
        yield Text(self.name, style="bold")
        for outcome, check, measured, allowed in self.rows:
            yield outcome + Text(f": {check}: {measured} (allowed: {allowed})", style="")

    def _table(self) -> Table:
        table = Table(title=self.name, title_justify="left", title_style="bold", box=None, padding=(0, 1, 0, 0))
        table.add_column("result", width=12, no_wrap=True, header_style="dim")
        # Blanks, unlike a width, are given up on a narrow screen; on a wide one they line up all groups.
        table.add_column("check".ljust(46), overflow="fold", header_style="dim")
        table.add_column("measured", min_width=18, no_wrap=True, header_style="dim")
        table.add_column("allowed", min_width=16, no_wrap=True, header_style="dim")
        for outcome, *cells in self.rows:
            table.add_row(outcome, *(Text(cell) for cell in cells))
        return table


def _cells(rows: list[Verdict]) -> Iterator[tuple[Verdict, tuple[str, str, str]]]:
    """Each verdict's check, measured and allowed in words; digits that came as dialled share one."""
    same = _same_pulses(rows)
    digits = sum(1 for row in rows if row.check is Check.PULSES)
    for row in rows:
        if row not in same:
            title = title_words(row.title, row.required or row.outcome is Outcome.NOT_RUN)
            yield row, (title, measured_words(row.check, row.quantity), allowed_words(row.check, row.window))
        elif row is same[0]:
            which = f"each of {digits} digits" if len(same) == digits else f"{len(same)} of {digits} digits"
            yield row, (f"pulses in {which}", "as dialled", "as dialled")


def tally(judgement: Judgement) -> dict[Outcome, int]:
    """How many checks ended in each way."""
    return {outcome: sum(1 for row in judgement.verdicts if row.outcome is outcome) for outcome in Outcome}


def stopped(judgement: Judgement, status: str) -> bool:
    """Whether a person stopped the call before anything failed: then it neither passed nor failed."""
    return status == INTERRUPTED and not tally(judgement)[Outcome.FAIL]


def summary(judgement: Judgement, status: str = "finished") -> str:
    """One line: passed, failed, stopped or tripped, and the numbers behind it."""
    counts = tally(judgement)
    parts = [f"{count} {outcome.value}" for outcome, count in counts.items() if count]
    word = "PASSED" if judgement.passed else "STOPPED" if stopped(judgement, status) else "FAILED"
    word = "NOT BEGUN" if status == REFUSED else word
    if status == TRIPPED and not counts.get(Outcome.FAIL):
        word = "TRIPPED"
    return f"{word}: {len(judgement.verdicts)} checks, " + (", ".join(parts) if parts else "nothing to judge")


def notable(judgement: Judgement) -> list[Verdict]:
    """Verdicts that want a sentence; fails last, where a small screen still shows them.

    What was not run because the call did not get so far gets none, only what was left out on purpose.
    """
    order = (Outcome.NOT_RUN, Outcome.NOT_MEASURED, Outcome.MARGINAL, Outcome.FAIL)
    found = [row for outcome in order for row in judgement.verdicts if row.outcome is outcome]
    return [row for row in found if row.outcome is not Outcome.NOT_RUN or row.left_out]


def _title(plan: Plan) -> Text:
    pace = "" if plan.pace == 1 else f" at pace {plan.pace}"
    return Text(f"{plan.title}: {plan.digits or 'nothing dialled'} on {plan.unit}{pace}", style="bold")


def heading(plan: Plan) -> list[Text]:
    """What to say as a call begins."""
    return [
        _title(plan),
        Text(f"It takes {time_words(plan.least_us)} at least. Ctrl-C stops it at any time and releases the line."),
        Text(""),
    ]


def call_tables(
    plan: Plan,
    judgement: Judgement | None,
    *,
    status: str = "finished",
    reason: str = "",
    released: bool = True,
    simulated: bool = False,
    begun: bool = True,
) -> list[RenderableType]:
    """A call's result as things to print, in order. judgement is None if judging was broken off.

    begun: False for one that was refused, also by an alarm or a guard that was tripped.
    """
    if not begun and status == "tripped":
        status = REFUSED
    parts: list[RenderableType] = [_title(plan)]
    how = "on the bench (simulated board and unit)" if simulated else "on a board"
    ended = _ENDED.get(status, f"The call: {status}")
    if status == "tripped" and reason in _ALARMS:
        ended = _BY_ALARM
    parts.append(Text(f"{ended}, {how}{': ' + reason if reason and status != 'finished' else ''}."))
    if not released:
        parts.append(
            Text("The board did not say that the line is released; it lets go by itself after its silence limit.")
        )
    parts.extend(Text(f"Note: {note}") for note in plan.notes)
    if judgement is None:
        parts.append(Text("FAILED: the call could not be judged", style=STYLES[Outcome.FAIL]))
        return parts
    for name, rows in grouped(judgement.verdicts).items():
        parts.append(Text(""))
        parts.append(_Group(name, rows))
    if not all(row.required for row in judgement.verdicts):
        parts.append(Text(OPTIONAL_SAYS, style="dim"))
    parts.append(Text(""))
    hushed = stopped(judgement, status)
    for row in notable(judgement):
        if hushed and row.outcome is Outcome.NOT_MEASURED:
            continue
        mark = "" if spoils(row) or row.left_out else " (the call passes all the same)"
        where = f" [{row.place}]" if row.place.file and row.outcome is Outcome.FAIL else ""
        # What was not measured says so itself.
        word = "" if row.outcome in (Outcome.NOT_MEASURED, Outcome.NOT_RUN) else f"{row.outcome.value}: "
        parts.append(Padding(Text(f"{word}{row.say}{mark}{where}"), (0, 0, 0, 2)))
    if hushed:
        parts.append(Text("What was not over when the call was stopped could not be measured.", style="dim"))
    colour = "green" if judgement.passed else "yellow" if hushed else "red"
    parts.append(Text(summary(judgement, status), style=f"bold {colour}"))
    return parts
