"""Figures and outcomes in words, for tables. Never by colour alone."""

from __future__ import annotations

from rich.table import Table
from rich.text import Text

from demo_ctl.judge.judge import amount, expanded, number
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
    """Decimals that a figure with this expanded uncertainty deserves: two figures of the doubt, at most three."""
    if doubt <= 0:
        return 0
    return next((decimals for decimals in range(3) if doubt >= 10 ** (1 - decimals)), 3)


def quantity_words(quantity: Quantity) -> str:
    """A figure with its doubt: `276.6 ± 0.42 ms`; a count alone: `2 rings`."""
    doubt = expanded(quantity)
    if not doubt:
        return amount(quantity.value, quantity.unit)
    decimals = decimals_for(doubt)
    return f"{quantity.value:.{decimals}f} ± {doubt:.{decimals}f} {quantity.unit}"


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


def plain_table(title: str, *columns: str) -> Table:
    """A table without frames, its headings underlined by the title's row; columns wrap rather than widen."""
    table = Table(title=title, title_justify="left", title_style="bold", box=None, padding=(0, 2, 0, 0))
    for column in columns:
        table.add_column(column, header_style="dim", overflow="fold")
    return table
