"""Which lamp of the board shows what, as a unit's file, a run sheet or an exhibit's file writes it.

lamps:
  - { lamp: 1, shows: off the hook, of: caller }
  - { lamp: 2, shows: moves, of: first selector }
  - { lamp: 7, shows: your turn, how: blinking }
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Annotated, Literal

from pydantic import Field

from demo_ctl.terms.located import Findings, did_you_mean, listed
from demo_ctl.terms.strict import Frozen

#: A message has room for so many; a board says itself how many it has.
LAMPS_MOST = 16

#: Of a telephone: `of` is caller, called, or a line of the unit.
TELEPHONE = ("off the hook", "current", "dial contact", "ringing")
#: Of a switch: `of` is a stage of the unit's train, or line finder.
SWITCH = ("moves", "off normal")
ENDS = ("caller", "called")


class Lamp(Frozen):
    """One lamp. What each word of `shows` means stands in the README of the wiring, section Lamps."""

    lamp: int = Field(ge=1, le=LAMPS_MOST, description="its number at the board, from 1")
    shows: Literal[
        "off the hook",
        "current",
        "dial contact",
        "ringing",
        "moves",
        "off normal",
        "a call",
        "dial tone",
        "talking",
        "tone",
        "a recording",
        "your turn",
        "ringing possible",
        "tripped",
    ]
    of: str | None = Field(
        default=None,
        min_length=1,
        max_length=60,
        description="caller, called, or a line; for moves and off normal a stage of the train, or line finder",
    )
    how: Literal["steady", "blinking"] = "steady"


#: Of a run sheet or an exhibit.
OwnLamps = Annotated[
    tuple[Lamp, ...] | None,
    Field(max_length=LAMPS_MOST, description="what each lamp shows; if left out, as the unit's file says"),
]


def check_lamps(lamps: Sequence[Lamp], findings: Findings, *path: str | int) -> None:
    """Find fault with what is wrong whatever the unit: a number twice, an `of` that lacks or is too much."""
    for index, row in enumerate(lamps):
        where = (*path, index)
        if row.lamp in [other.lamp for other in lamps[:index]]:
            findings.add(f"lamp {row.lamp} stands here twice", *where, "lamp")
        wants_of = row.shows in TELEPHONE + SWITCH
        if wants_of and row.of is None:
            of_what = "caller, called, or a line" if row.shows in TELEPHONE else "a stage of the train"
            findings.add(f"'{row.shows}' wants to know of what: `of:` {of_what}", *where, "shows")
        elif not wants_of and row.of is not None:
            findings.add(f"'{row.shows}' is of nothing in particular: leave `of` out", *where, "of")


def check_names(
    lamps: Sequence[Lamp], lines: Iterable[str], stages: Iterable[str], findings: Findings, *path: str | int
) -> None:
    """Find fault with an `of` that this unit does not have. lines, stages: names of this unit's."""
    telephones, switches = (*ENDS, *lines), tuple(stages)
    for index, row in enumerate(lamps):
        if row.of is None or row.shows not in TELEPHONE + SWITCH:
            continue
        known = telephones if row.shows in TELEPHONE else switches
        if row.of not in known:
            guess = did_you_mean(row.of, known) or f"; expected {listed(known)}"
            findings.add(f"of: this unit has no '{row.of}' that '{row.shows}' could be of{guess}", *path, index, "of")
