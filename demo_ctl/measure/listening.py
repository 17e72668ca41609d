"""Tones: when they began and stopped, whether they were there, their cadence. Audio that is missing is no silence."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from demo_ctl.measure.cadence import STEADY_GAP_US, Answer, identify, whole_off, whole_on
from demo_ctl.measure.dialling import last_make_us
from demo_ctl.measure.figures import count, not_measured, not_reached, room, surely_outside, time_ms
from demo_ctl.measure.model import Measurement
from demo_ctl.measure.sight import Sight, Stretch
from demo_ctl.plan.model import Check, Expectation

if TYPE_CHECKING:
    from demo_ctl.measure.tones import Heard
    from demo_ctl.office.model import Tone

#: So much of a stretch must have been listened to before silence is called silence: a block may be missing.
LISTENED = 0.97
#: A tone that stopped longer before the first pulse than this was not stopped by it.
EARLY_US = 100_000


class _Listened(NamedTuple):
    """A tone in a stretch: what was heard in each piece of audio (cut to the stretch), how much audio there was."""

    pieces: list[list[Heard]]
    share: float
    answer: Answer

    @property
    def all(self) -> list[Heard]:
        return [one for piece in self.pieces for one in piece]


def _tone(expectation: Expectation) -> Tone:
    if expectation.tone is None:
        raise ValueError(f"expectation {expectation.id} names no tone")
    return expectation.tone


def _cut(one: Heard, stretch: Stretch) -> Heard:
    if one.begin_us < stretch.begin_us:
        one = replace(one, begin_us=float(stretch.begin_us), begin_seen=False)
    if one.end_us > stretch.end_us:
        one = replace(one, end_us=float(stretch.end_us), end_seen=False)
    return one


def _listen(sight: Sight, expectation: Expectation, stretch: Stretch) -> _Listened:
    tone, port = _tone(expectation), expectation.port
    heard = [one for one in sight.heard(port, tone) if one.end_us > stretch.begin_us and one.begin_us < stretch.end_us]
    covered_us = 0.0
    found: list[list[Heard]] = []
    for piece in sight.pieces(port, stretch.begin_us, stretch.end_us):
        covered_us += min(piece.end_us, stretch.end_us) - max(piece.start_us, stretch.begin_us)
        inside = [_cut(one, stretch) for one in heard if piece.start_us - 1 <= one.begin_us < piece.end_us]
        if inside:
            found.append(inside)
    answers = [identify(inside, tone) for inside in found]
    answer = Answer.UNSURE
    if Answer.NO in answers:
        answer = Answer.NO
    elif Answer.YES in answers:
        answer = Answer.YES
    long_us = stretch.end_us - stretch.begin_us
    return _Listened(found, covered_us / long_us if long_us > 0 else 0.0, answer)


def _gap(listened: _Listened) -> str:
    if listened.share <= 0:
        return "nothing was listened to here"
    return f"audio is missing: {100 * min(1.0, listened.share):.0f} % of this time was heard"


def _onset(sight: Sight, expectation: Expectation, begin_us: int, number: int) -> Measurement:
    """Time from an instant to the beginning of the tone."""
    stretch = sight.stretch(begin_us, expectation.until)
    listened = _listen(sight, expectation, stretch)
    found = listened.all
    if not found:
        if listened.share < LISTENED:
            return not_measured(expectation, _gap(listened), (number,))
        return not_measured(expectation, "the tone did not come", (number,))
    if listened.answer is Answer.NO:
        return not_measured(expectation, "a tone with the same parts came, but with another cadence", (number,))
    first = found[0]
    if not first.begin_seen:
        return not_measured(expectation, "the tone's beginning was not heard: it sounded when hearing began", (number,))
    missed_us = _missed_before(sight, expectation, begin_us, first.begin_us)
    if missed_us > _MISSED_US and _tone(expectation).cadence_us:
        return not_measured(expectation, "audio is missing before the first tone that was heard", (number,))
    return time_ms(expectation, first.begin_us - begin_us, (sight.stamp_u_us, first.begin_u_us), (number,))


#: Audio missing before an interrupted tone's first beginning may hide an earlier one if it is as long as this.
_MISSED_US = 60_000.0


def _missed_before(sight: Sight, expectation: Expectation, begin_us: float, end_us: float) -> float:
    """Audio missing between an instant, or the first audio after it, and another, microseconds."""
    found = sight.pieces(expectation.port, begin_us, end_us)
    if not found:
        return 0.0
    heard_us = sum(min(piece.end_us, end_us) - max(piece.start_us, begin_us) for piece in found)
    return end_us - max(begin_us, found[0].start_us) - heard_us


def dial_tone_delay(sight: Sight, expectation: Expectation) -> Measurement:
    """Lifting to the beginning of dial tone."""
    ended = sight.ended(expectation.index)
    if ended is None:
        return not_reached(expectation)
    return _onset(sight, expectation, ended.at_us, ended.number)


def post_dial_delay(sight: Sight, expectation: Expectation) -> Measurement:
    """Last make of the last digit to the beginning of the tone."""
    ended, make_us = sight.ended(expectation.index), last_make_us(sight, expectation.index)
    if ended is None or make_us is None:
        return not_reached(expectation)
    return _onset(sight, expectation, make_us, ended.number)


def dial_tone_stop(sight: Sight, expectation: Expectation) -> Measurement:
    """First break to the last of dial tone."""
    began = sight.began(expectation.index)
    if began is None:
        return not_reached(expectation)
    stretch = sight.stretch(began.at_us - EARLY_US, expectation.until)
    listened = _listen(sight, expectation, stretch)
    found = listened.all
    if not found:
        why = _gap(listened) if listened.share < LISTENED else "dial tone had gone before the first pulse"
        return not_measured(expectation, why, (began.number,))
    last = found[-1]
    if last.end_seen:
        return time_ms(expectation, last.end_us - began.at_us, (sight.stamp_u_us, last.end_u_us), (began.number,))
    least_us = last.end_us - began.at_us
    if surely_outside(expectation, least_us):
        doubts = (sight.stamp_u_us, last.end_u_us)
        return time_ms(expectation, least_us, doubts, (began.number,), "still heard when listening ended")
    return not_measured(expectation, "dial tone was still heard when listening ended", (began.number,))


def _stopped_us(sight: Sight, expectation: Expectation, stretch: Stretch, last: Heard) -> float:
    """How long before the stretch's end a tone that should have gone on had stopped; 0 if it went on.

    An interrupted tone may be in its silence when the stretch ends. Missing audio may hide the tone.
    """
    if expectation.check is not Check.TONE or not stretch.whole or not last.end_seen:
        return 0.0
    wanted = _tone(expectation)
    quiet_us = stretch.end_us - last.end_us
    silence_us = max(wanted.cadence_us[1::2], default=0) * (1 + wanted.cadence_tolerance_pct / 100)
    heard_us = sum(
        min(piece.end_us, stretch.end_us) - max(piece.start_us, last.end_us)
        for piece in sight.pieces(expectation.port, last.end_us, stretch.end_us)
    )
    return quiet_us if heard_us > silence_us + STEADY_GAP_US else 0.0


def tone(sight: Sight, expectation: Expectation) -> Measurement:
    """1 if the tone was heard in the stretch, 0 if it was not; a tone that is wanted must last to the end of it."""
    ended = sight.ended(expectation.index)
    if ended is None:
        return not_reached(expectation)
    stretch = sight.stretch(ended.at_us, expectation.until)
    listened = _listen(sight, expectation, stretch)
    if listened.answer is Answer.YES:
        stopped_us = _stopped_us(sight, expectation, stretch, listened.all[-1])
        if stopped_us:
            detail = f"it stopped {stopped_us / 1e6:.3g} s before listening ended"
            return count(expectation, 0, (ended.number,), detail)
        return count(expectation, 1, (ended.number,))
    if listened.all and listened.answer is Answer.NO:
        return count(expectation, 0, (ended.number,), "a tone with the same parts was heard, with another cadence")
    if listened.share < LISTENED:
        return not_measured(expectation, _gap(listened), (ended.number,))
    if not stretch.whole:
        return not_measured(expectation, "the call ended while it was listened for", (ended.number,))
    if listened.all:
        return not_measured(expectation, "heard, but not long enough to tell its cadence", (ended.number,))
    return count(expectation, 0, (ended.number,))


def _cadence(sight: Sight, expectation: Expectation, on: bool) -> Measurement:
    ended = sight.ended(expectation.index)
    if ended is None:
        return not_reached(expectation)
    stretch = sight.stretch(ended.at_us, expectation.until)
    listened = _listen(sight, expectation, stretch)
    figures = [figure for piece in listened.pieces for figure in (whole_on(piece) if on else whole_off(piece))]
    if not figures:
        what = "on time" if on else "silence"
        why = f"no {what} was heard from its beginning to its end"
        return not_measured(expectation, why if listened.share >= LISTENED else _gap(listened), (ended.number,))
    long_us, u_us, _ = min(figures, key=lambda figure: room(expectation.window, figure[0] / 1000))
    many = len(figures)
    return time_ms(expectation, long_us, (u_us,), (ended.number,), f"worst of {many}" if many > 1 else "")


def tone_on(sight: Sight, expectation: Expectation) -> Measurement:
    """Worst whole on time of an interrupted tone."""
    return _cadence(sight, expectation, on=True)


def tone_off(sight: Sight, expectation: Expectation) -> Measurement:
    """Worst whole silence of an interrupted tone."""
    return _cadence(sight, expectation, on=False)


KINDS = {
    Check.DIAL_TONE_DELAY: dial_tone_delay,
    Check.DIAL_TONE_STOP: dial_tone_stop,
    Check.POST_DIAL_DELAY: post_dial_delay,
    Check.TONE: tone,
    Check.TONE_ON: tone_on,
    Check.TONE_OFF: tone_off,
    Check.NO_OVERFLOW: tone,
}
