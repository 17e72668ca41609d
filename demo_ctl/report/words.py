"""Figures and outcomes in words, for tables. Never by colour alone."""

from __future__ import annotations

from math import floor, log10

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from demo_ctl.judge.judge import amount, expanded, number
from demo_ctl.plan.model import Check
from demo_ctl.terms.outcome import Outcome
from demo_ctl.terms.quantity import Quantity
from demo_ctl.terms.window import Window

STYLES = {
    Outcome.PASS: "green",
    Outcome.MARGINAL: "yellow",
    Outcome.FAIL: "bold red",
    Outcome.NOT_MEASURED: "yellow",
    Outcome.NOT_RUN: "dim",
}


#: Checks that are a yes or a no rather than a figure: the words for 0 and for 1 (or more).
PRESENCE = {Check.TONE: ("not heard", "heard"), Check.NO_OVERFLOW: ("not heard", "heard"), Check.HELD: ("yes", "no")}
#: After the title of a check that may end as not measured without failing the call.
OPTIONAL = "*"
OPTIONAL_SAYS = "* counts only if it can be sensed"


def title_words(title: str, required: bool) -> str:
    """A check's title, marked if the check is not required."""
    return title if required else f"{title} {OPTIONAL}"


def outcome_text(outcome: Outcome) -> Text:
    """The word for how a check ended."""
    word = outcome.value.upper() if outcome is Outcome.FAIL else outcome.value
    return Text(word, style=STYLES[outcome])


def time_words(us: float) -> str:
    """A time in the unit that suits it: `600 ms`, `2.5 s`, `1 min 30 s`."""
    if us >= 60e6:
        minutes, rest_us = divmod(us, 60e6)
        return f"{minutes:.0f} min {rest_us / 1e6:.0f} s" if rest_us >= 0.5e6 else f"{minutes:.0f} min"
    if us >= 1e6:
        return f"{number(us / 1e6)} s"
    return f"{number(us / 1e3)} ms"


def decimals_for(doubt: float) -> int:
    """Decimals that a figure with this expanded uncertainty deserves: one figure of the doubt, two if it begins with 1.

    At most three.
    """
    if doubt <= 0:
        return 0
    return min(3, max(0, (1 if f"{doubt:e}"[0] == "1" else 0) - floor(log10(doubt))))


def quantity_words(quantity: Quantity) -> str:
    """A figure with its doubt: `276.6 ± 0.42 ms`; a count alone: `2 rings`."""
    doubt = expanded(quantity)
    if not doubt:
        return amount(quantity.value, quantity.unit)
    decimals = decimals_for(doubt)
    return f"{quantity.value:.{decimals}f} ± {doubt:.{decimals}f} {quantity.unit}"


def measured_words(check: Check, quantity: Quantity | None) -> str:
    """A check's figure, or `heard`, or `-`."""
    if quantity is None:
        return "-"
    return PRESENCE[check][int(quantity.value != 0)] if check in PRESENCE else quantity_words(quantity)


def allowed_words(check: Check, window: Window) -> str:
    """What is allowed of a check."""
    if check in PRESENCE and window.low == window.high and window.low is not None:
        return PRESENCE[check][int(window.low != 0)]
    return window_words(window)


def window_words(window: Window) -> str:
    """What is allowed: `140 to 660 ms`, `at most 3000 ms`, `2 rings`."""
    low, high, unit = window.low, window.high, window.unit
    if low is None and high is None:
        return "any"
    if low is None and high is not None:
        return f"at most {amount(high, unit)}"
    if high is None and low is not None:
        return f"at least {amount(low, unit)}"
    assert low is not None
    assert high is not None
    if low == high:
        return amount(low, unit)
    return f"{number(low)} to {amount(high, unit)}"


class Letters:
    """Long reasons given once: a letter in the table, the text below it."""

    def __init__(self) -> None:
        self._letters: dict[str, str] = {}

    def of(self, text: str) -> str:
        """The letter of a reason (a, b, ... z, aa, ...); none for an empty one."""
        if not text:
            return ""
        if text not in self._letters:
            place = len(self._letters)
            self._letters[text] = (chr(96 + place // 26) if place >= 26 else "") + chr(97 + place % 26)
        return self._letters[text]

    def lines(self) -> list[Padding]:
        """Every reason with its letter, for below the table."""
        return [Padding(Text(f"{letter}: {text}"), (0, 0, 0, 2)) for text, letter in self._letters.items()]


def plain_table(title: str, *columns: str) -> Table:
    """A table without frames; columns wrap rather than widen."""
    table = Table(title=title, title_justify="left", title_style="bold", box=None, padding=(0, 2, 0, 0))
    for column in columns:
        table.add_column(column, header_style="dim", overflow="fold")
    return table
