"""Is what was heard this tone, or another with the same parts? Only the cadence tells busy from overflow.

The on and off times heard are laid beside the tone's own, at every place of its cycle. Times wholly seen must agree
within the tone's tolerance; the first and the last may have been cut short (by switching, or by the beginning and end
of listening), so of them only "not longer than" is asked.
"""

from __future__ import annotations

from enum import Enum
from itertools import pairwise
from math import sqrt
from typing import TYPE_CHECKING, NamedTuple

from demo_ctl.office.model import Tone

if TYPE_CHECKING:
    from collections.abc import Sequence

    from demo_ctl.measure.tones import Heard

#: A steady tone must have sounded for so long to be called one.
SURE_US = 150_000
#: A steady tone may be away so long and so often (a relay's transfer), and be the same tone still.
STEADY_GAP_US = 100_000
STEADY_GAPS = 1


class Answer(Enum):
    """Is it this tone?"""

    YES = "yes"
    NO = "no"
    UNSURE = "not heard long enough to tell"


class Part(NamedTuple):
    """An on or off time as heard. whole: seen from its beginning to its end."""

    on: bool
    us: float
    u_us: float
    whole: bool


def parts(heard: Sequence[Heard]) -> list[Part]:
    """Give on and off times in order, from what was heard in one piece of audio."""
    found: list[Part] = []
    for place, one in enumerate(heard):
        if place:
            before = heard[place - 1]
            doubt = sqrt(before.end_u_us**2 + one.begin_u_us**2)
            found.append(Part(False, one.begin_us - before.end_us, doubt, True))
        inner = 0 < place < len(heard) - 1 and one.begin_seen and one.end_seen
        found.append(Part(True, one.end_us - one.begin_us, sqrt(one.begin_u_us**2 + one.end_u_us**2), inner))
    return found


def whole_on(heard: Sequence[Heard]) -> list[tuple[float, float, Heard]]:
    """Give on times (length, u, which) that cannot have been cut short: neither the first, nor running into an end."""
    return [
        (one.end_us - one.begin_us, sqrt(one.begin_u_us**2 + one.end_u_us**2), one)
        for place, one in enumerate(heard)
        if place and one.begin_seen and one.end_seen
    ]


def whole_off(heard: Sequence[Heard]) -> list[tuple[float, float, Heard]]:
    """Give silences (length, u, the tone before) between two stretches of tone."""
    return [(two.begin_us - one.end_us, sqrt(one.end_u_us**2 + two.begin_u_us**2), one) for one, two in pairwise(heard)]


def _fits(part: Part, nominal_us: float, slack: float) -> bool:
    """Whether a part may be this one of the tone's own times."""
    doubt = slack * nominal_us + 2 * part.u_us
    return part.us <= nominal_us + doubt and (not part.whole or part.us >= nominal_us - doubt)


def _fills(part: Part, nominal_us: float, slack: float) -> bool:
    """Whether a part is as long as this one of the tone's own times: cut or not, that says enough."""
    return abs(part.us - nominal_us) <= slack * nominal_us + 2 * part.u_us


def identify(heard: Sequence[Heard], tone: Tone) -> Answer:
    """Say whether stretches of a tone's parts, of one piece of audio, are this tone by their cadence."""
    if not heard:
        return Answer.UNSURE
    longest = max(one.end_us - one.begin_us for one in heard)
    if not tone.cadence_us:
        gaps = [us for us, _, _ in whole_off(heard)]
        if len(gaps) > STEADY_GAPS or any(us > STEADY_GAP_US for us in gaps):
            return Answer.NO
        return Answer.YES if longest >= SURE_US else Answer.UNSURE
    cadence, slack = tone.cadence_us, tone.cadence_tolerance_pct / 100
    found = parts(heard)
    many = len(cadence)
    agrees = False
    for start in range(0, many, 2):
        nominal = [cadence[(start + place) % many] for place in range(len(found))]
        pairs = list(zip(found, nominal, strict=True))
        if not all(_fits(part, us, slack) for part, us in pairs):
            continue
        agrees = True
        full = [part.on for part, us in pairs if _fills(part, us, slack)]
        # As many times of the right lengths as the cycle has: an on and an off, or more of a longer cycle.
        if True in full and False in full and len(full) >= many:
            return Answer.YES
    return Answer.UNSURE if agrees else Answer.NO
