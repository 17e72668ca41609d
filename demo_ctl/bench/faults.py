"""The catalogue of what can be wrong with the simulated unit: each fault with its places, figures, and what shows.

A fault is made of effects: factors on figures, amounts added to them, or events that go wrong. The parts of the bench
ask for these by name (`ailments.py`); what a fault does to what the board senses then comes out of the model. How a
fault is written (`NAME@PLACE:figure=value`), comes and goes, and grows from night to night is in `fault_text.py`.

Ranges and defaults are chosen so that the fault shows with the default and nothing breaks anywhere in the range
(common practice, no source, but where a row of the facts is named).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import sqrt
from typing import NamedTuple

from demo_ctl.bench.places import Kind
from demo_ctl.bench.unit import CROSSED
from demo_ctl.office.model import Unit

#: 0 dBm in 600 ohm (facts L15), in V RMS.
_ZERO_dBm_V = sqrt(0.6)


class Does(NamedTuple):
    """What a fault does: a factor on a figure, an amount added to it, or an event that goes wrong.

    thing: on the part ("B"); "" for the part itself. event: growth makes it strike more often, where it makes the
    others stray further.
    """

    figure: str
    thing: str = ""
    factor: float = 1.0
    added: float = 0.0
    event: bool = False


@dataclass(frozen=True)
class Figure:
    """A figure of a fault. dimension: of `terms.quantity`, or "number". Limits in the dimension's base unit."""

    name: str
    dimension: str
    usual: str
    least: float
    most: float
    says: str


Values = Mapping[str, float]


@dataclass(frozen=True)
class Fault:
    """One fault.

    says: what is wrong. shows: what the board senses of it. each: when `chance` is drawn. lasting: once, when the unit
    is switched on. chance_pct: how often unless somebody says otherwise.
    """

    name: str
    says: str
    shows: str
    places: tuple[Kind, ...]
    does: Callable[[Values, Unit], tuple[Does, ...]]
    figures: tuple[Figure, ...] = ()
    each: str = "use of the part"
    lasting: bool = False
    chance_pct: float = 100.0


_SWITCH = (Kind.SELECTOR, Kind.CONNECTOR)
_STEPPING = (*_SWITCH, Kind.FINDER)
_LASTING = "time the unit is switched on"


def _to(usual: str, least: float, most: float) -> Figure:
    return Figure("to", "ratio", usual, least, most, "of the time it was adjusted to")


def _timing(figure: str, *things: str) -> Callable[[Values, Unit], tuple[Does, ...]]:
    return lambda values, _: tuple(Does(figure, thing, factor=values["to"] / 100) for thing in things)


def _event(kind: str, *things: str) -> Callable[[Values, Unit], tuple[Does, ...]]:
    made = tuple(Does(kind, thing, event=True) for thing in things or ("",))
    return lambda _values, _unit: made


_PULSING = (
    Fault(
        "short-hold",
        "relay B, which holds the switch over the breaks of a dial, lets go too early",
        "the train falls back in the middle of dialling: the caller's line gets its own battery back and then dial "
        "tone; the call does not come through",
        _SWITCH,
        _timing("hold", "B"),
        (_to("15 %", 1, 99),),
        each="release of B",
    ),
    Fault(
        "long-hold",
        "relay B holds too long after the caller has hung up",
        "the release comes late",
        _SWITCH,
        _timing("hold", "B"),
        (_to("350 %", 101, 2000),),
        each="release of B",
    ),
    Fault(
        "digit-ends-early",
        "relay C, which tells the end of a digit, lets go within a dial's makes",
        "the switch turns in before the digit is over: cut through comes too soon, on a wrong level",
        _SWITCH,
        _timing("hold", "C"),
        (_to("10 %", 1, 99),),
        each="release of C",
    ),
    Fault(
        "digit-ends-late",
        "relay C holds too long after a digit",
        "cut through comes late; later than the next digit's first break, the number goes wrong",
        _SWITCH,
        _timing("hold", "C"),
        (_to("700 %", 101, 1000),),
        each="release of C",
    ),
    Fault(
        "sluggish-pulsing-relay",
        "relay A is slow to let go, so that a break leaves the magnet too little time",
        "steps are lost: a wrong level, or a wrong number",
        _SWITCH,
        _timing("release", "A"),
        (_to("1200 %", 101, 3000),),
        each="release of A",
    ),
    Fault(
        "sluggish-return",
        "relay A is slow to pull up, so that a make leaves it no time and two breaks become one",
        "pulses run together: a wrong level, a wrong number, or the train falls back",
        _SWITCH,
        _timing("operate", "A"),
        (_to("900 %", 101, 2000),),
        each="operation of A",
    ),
    Fault(
        "chattering-contact",
        "relay A's contacts bounce for a long time, and the magnet's current is broken up",
        "steps are lost: a wrong level, or a wrong number",
        _SWITCH,
        lambda values, unit: (Does("bounce", "A", factor=values["bounce"] / max(1, unit.coils.bounce_us)),),
        (Figure("bounce", "time", "90 ms", 3_000, 200_000, "how long the contacts bounce"),),
        each="closing of a contact",
    ),
    Fault(
        "dead-pulsing-relay",
        "relay A does not pull up (open winding)",
        "no dial tone on a first switch, and the finder gives the line back; further on the train falls back",
        _SWITCH,
        _event("dead", "A"),
        each="operation of A",
    ),
    Fault(
        "stuck-pulsing-relay",
        "relay A does not let go (residual sticks, contacts weld)",
        "the switch does not see the dial: dial tone goes on, and hanging up releases nothing",
        _SWITCH,
        _event("stuck", "A"),
        each="release of A",
    ),
)

_MECHANICS = (
    Fault(
        "slow-magnet",
        "both magnets of a switch pull up too slowly (stiff bearing, worn stop)",
        "a dial's breaks are too short for it: steps are lost and the number goes wrong; a finder is slow to bring "
        "dial tone",
        _STEPPING,
        _timing("operate", "vertical magnet", "rotary magnet"),
        (_to("400 %", 101, 5000),),
        each="operation of a magnet",
    ),
    Fault(
        "dead-vertical-magnet",
        "the vertical magnet does not pull",
        "the shaft stays down: no digit is taken and no cut through comes; a finder never finds its line and keeps "
        "the others from starting, so there is no dial tone",
        _STEPPING,
        _event("dead", "vertical magnet"),
        each="operation of the magnet",
    ),
    Fault(
        "dead-rotary-magnet",
        "the rotary magnet does not pull",
        "the shaft rises and does not turn: no cut through, or no answer to the last digit; no dial tone from a finder",
        _STEPPING,
        _event("dead", "rotary magnet"),
        each="operation of the magnet",
    ),
    Fault(
        "missed-step-up",
        "the vertical pawl slips: the shaft does not rise with every pulse",
        "a wrong level: overflow tone where the level has no trunks, or a wrong number",
        _SWITCH,
        _event("misses a step up"),
        each="vertical step",
        chance_pct=30,
    ),
    Fault(
        "missed-step-round",
        "the rotary pawl slips: the wipers do not turn with every pulse of the last digit",
        "a wrong number: another telephone rings, or vacant tone",
        (Kind.CONNECTOR,),
        _event("misses a step round"),
        each="rotary step of a dialled digit",
        chance_pct=30,
    ),
    Fault(
        "vertical-overshoot",
        "the shaft rises one level too far after the last pulse (worn detent)",
        "a wrong level: overflow tone where the level has no trunks, or a wrong number",
        _SWITCH,
        _event("rises too far"),
        each="digit",
    ),
    Fault(
        "rotary-overshoot",
        "the wipers turn one step too far: a selector past an idle trunk, a connector past the number",
        "on a selector overflow tone, where no later trunk is idle, else only a cut through one step later (a "
        "chance below 100 % lets it find one); on a connector a wrong number",
        _SWITCH,
        _event("turns too far"),
        each="test of an idle trunk, or last digit",
    ),
    Fault(
        "sticking-shaft",
        "the shaft does not come down when the switch is released",
        "on a finder: the caller's line stays guarded after hanging up, no release is seen. On other switches nothing "
        "in the same call, but that switch is in use for ever: later calls pass it by, and with all of them stuck "
        "there is no dial tone, or overflow",
        _STEPPING,
        _event("shaft sticks"),
        each="release",
    ),
    Fault(
        "slow-restoring",
        "the shaft comes down slowly (dry bearing, weak spring)",
        "on a finder the release comes late; on other switches they are in use for longer, which a single call does "
        "not show unless the line calls again at once",
        _STEPPING,
        lambda values, _: (Does("restore", factor=values["to"] / 100),),
        (_to("300 %", 101, 5000),),
        each="release",
    ),
    Fault(
        "finder-passes-line",
        "a finder's test does not see the marked line and it turns on past it",
        "dial tone comes late, from the next finder; with all finders, or chance 100 % on a line, never",
        (Kind.FINDER, Kind.LINE),
        _event("passes its line"),
        each="passing of the line",
    ),
    Fault(
        "finder-start-fails",
        "the allotter's start does not reach the finder whose turn it is",
        "no dial tone; lifting once more, or another caller, starts the next finder",
        (Kind.FINDER,),
        _event("start fails"),
        each="start",
    ),
)

_TRUNKS = (
    Fault(
        "open-bank-contact",
        "dirt on a trunk's bank contact, or a broken wire: the line does not get through",
        "a long open after the digit; the train falls back and the caller gets dial tone again",
        (Kind.TRUNK,),
        _event("open"),
        each="cut through",
    ),
    Fault(
        "open-sleeve",
        "the sleeve of a trunk or terminal is open, so that it tests idle though it is in use",
        "on a trunk: a second call comes on top of the first, hears nothing and can dial nothing (a trunk busied by "
        "hand takes the call as if it were idle). On a terminal: instead of busy tone the caller's battery turns "
        "round, as if answered. The call that was there first is not disturbed in this model",
        (Kind.TRUNK, Kind.TERMINAL),
        _event("tests idle"),
        each="test",
    ),
    Fault(
        "held-busy",
        "ground on the sleeve of a trunk or terminal that nobody uses",
        "on a trunk: passed by, cut through one step later, and overflow when it is the last; on a terminal: busy tone",
        (Kind.TRUNK, Kind.TERMINAL),
        _event("tests busy"),
        each="test",
    ),
    Fault(
        "crossed-trunks",
        "the wires of a trunk lead to the switch of another position of the same level",
        "nothing by itself, as that switch is as good as the other; a fault of that switch shows in calls that should "
        "not meet it, and two calls can meet",
        (Kind.TRUNK,),
        lambda values, _: (Does("crossed with", added=values["with"], event=True),),
        (Figure("with", "number", "2", 1, 10, "the position whose switch it leads to"),),
        each="test",
    ),
    Fault(
        "crossed-terminals",
        "the wires of a connector's terminal go to another line",
        "a wrong number: another telephone rings, or vacant tone",
        (Kind.TERMINAL,),
        lambda values, _: (Does("crossed with", added=CROSSED + values["with"], event=True),),
        (Figure("with", "number", "58", 0, 99, "the last two digits of the line it goes to"),),
        each="test",
    ),
    Fault(
        "dead-cut-through",
        "the relay that hands the line on (on a connector: that makes the busy test) does not pull up",
        "no cut through, and after a connector's last digit nothing at all",
        _SWITCH,
        _event("dead", "cut-through"),
        each="operation",
    ),
    Fault(
        "group-not-hunted",
        "a connector does not hunt over a group of numbers whose first is busy",
        "busy tone though others of the group are idle; nothing on a unit without groups",
        (Kind.CONNECTOR,),
        _event("doesn't hunt"),
        each="busy test",
    ),
)

_RINGING = (
    Fault(
        "weak-ringing",
        "the ringing generator's voltage is low",
        "below 40 V (the ringing sense's threshold) no ringing is sensed; above it nothing is, though real bells may "
        "ring faintly",
        (Kind.RINGING,),
        lambda values, unit: (Does("ringing voltage", factor=values["voltage"] / unit.ringing.voltage_V),),
        (Figure("voltage", "voltage", "25 V", 0, 100, "RMS"),),
        each=_LASTING,
        lasting=True,
    ),
    Fault(
        "ringing-off-frequency",
        "the ringing generator runs at a wrong speed",
        "the hum heard at a rung telephone changes its pitch, and edges of ringing move by a part of a cycle. The "
        "ringing sense does not tell frequencies apart: no check of a call notices, a real bell would",
        (Kind.RINGING,),
        lambda values, unit: (Does("ringing frequency", factor=values["frequency"] / unit.ringing.frequency_Hz),),
        (Figure("frequency", "frequency", "12 Hz", 5, 100, "of the generator"),),
        each=_LASTING,
        lasting=True,
    ),
    Fault(
        "no-ringing",
        "a connector's ringing contact is open",
        "ringing tone, but no ringing at the called telephone",
        (Kind.CONNECTOR,),
        _event("rings nobody"),
        each="call that rings",
    ),
    Fault(
        "interrupter-stuck-on",
        "an interrupter's contact does not open",
        "ringing, or a tone, without pauses",
        (Kind.RINGING, Kind.TONE),
        _event("stuck on"),
        each=_LASTING,
        lasting=True,
    ),
    Fault(
        "interrupter-stuck-off",
        "an interrupter's contact does not close",
        "no ringing, or no tone, at all",
        (Kind.RINGING, Kind.TONE),
        _event("stuck off"),
        each=_LASTING,
        lasting=True,
    ),
    Fault(
        "interrupter-off-speed",
        "an interrupter turns too slowly or too fast",
        "ringing or tone and its pauses are longer or shorter than they should be; nothing on a steady tone",
        (Kind.RINGING, Kind.TONE),
        lambda values, _: (Does("cadence", factor=values["to"] / 100),),
        (Figure("to", "ratio", "150 %", 20, 500, "of the length of each part"),),
        each=_LASTING,
        lasting=True,
    ),
    Fault(
        "trip-fails",
        "the trip relay F does not operate on an answer",
        "ringing goes on in the answered telephone until the plan closes the guard; no ring trip, no reversal",
        (Kind.CONNECTOR,),
        _event("dead", "F"),
        each="operation of F",
    ),
    Fault(
        "slow-trip",
        "the trip relay F is slow",
        "ring trip and reversal come late",
        (Kind.CONNECTOR,),
        _timing("operate", "F"),
        (_to("500 %", 101, 5000),),
        each="operation of F",
    ),
    Fault(
        "pre-trip",
        "the trip relay F operates though nobody has answered (bell condenser leaks, F too light)",
        "ringing stops by itself and ringing tone too; the called telephone is not rung again",
        (Kind.CONNECTOR,),
        lambda values, _: (Does("trips by itself after us", added=values["after"], event=True),),
        (Figure("after", "time", "500 ms", 1000, 60_000_000, "from when the connector begins to ring"),),
        each="call that rings",
    ),
)

_SUPERVISION = (
    Fault(
        "no-reversal",
        "the contacts that turn the caller's battery round on an answer do not close",
        "no answer reversal: to the caller's side nobody has answered",
        (Kind.CONNECTOR,),
        _event("no reversal"),
        each="answer",
    ),
    Fault(
        "quick-supervisory-relay",
        "the supervisory relay pulls up too easily, as soon as ringing begins",
        "the caller's battery turns round though nobody has answered",
        (Kind.CONNECTOR,),
        _event("answers by itself"),
        each="call that rings",
    ),
    Fault(
        "slow-reversal",
        "the battery is turned round late",
        "answer reversal and clear reversal come late",
        (Kind.CONNECTOR,),
        lambda values, _: (Does("reversal", factor=values["to"] / 100),),
        (_to("2000 %", 101, 10_000),),
        each="turning round",
    ),
    Fault(
        "stuck-supervisory-relay",
        "the supervisory relay D does not let go when the called party hangs up",
        "no clear reversal: the caller's battery stays turned round until the caller hangs up",
        (Kind.CONNECTOR,),
        _event("stuck", "D"),
        each="release of D",
    ),
)

_LINES = (
    Fault(
        "dead-line-relay",
        "the line relay does not pull up",
        "lifting the handset brings nothing: no finder, no dial tone",
        (Kind.LINE,),
        _event("dead", "line relay"),
        each="operation",
    ),
    Fault(
        "stuck-line-relay",
        "the line relay does not let go when its line has been found",
        "after hanging up the line calls in again by itself: its own battery comes back only for moments. It tests "
        "busy",
        (Kind.LINE,),
        _event("stuck", "line relay"),
        each="release",
    ),
    Fault(
        "dead-cut-off-relay",
        "the cut-off relay does not pull up",
        "a finder comes and cannot take the line: no dial tone. A connector cannot ring it: no ringing, no "
        "ringing tone",
        (Kind.LINE,),
        _event("dead", "cut-off relay"),
        each="operation",
    ),
    Fault(
        "leaky-line",
        "damp insulation: current flows from wire to wire",
        "a large leak (below about 6 kohm) holds relays that should let go: no digits, no release; a very large one "
        "lifts the line by itself. A small one only makes relays slower to release (facts D47). The telephone's own "
        "current is less",
        (Kind.LINE,),
        lambda values, _: (Does("leak mS", added=1000 / values["leak"]),),
        (Figure("leak", "resistance", "2 kohm", 100, 10_000_000, "from wire to wire"),),
        each=_LASTING,
        lasting=True,
    ),
    Fault(
        "high-resistance-loop",
        "a bad joint in the line",
        "too little current: above about 3 kohm relays do not pull up and no loop is sensed, so no dial tone; below "
        "that they are slow",
        (Kind.LINE,),
        lambda values, _: (Does("loop ohm", added=values["resistance"]),),
        (Figure("resistance", "resistance", "6 kohm", 1, 10_000_000, "more in the loop"),),
        each=_LASTING,
        lasting=True,
    ),
    Fault(
        "crossed-wires",
        "the two wires of a line are exchanged",
        "normal battery reads reversed, and reversed reads normal",
        (Kind.LINE,),
        _event("wires crossed"),
        each=_LASTING,
        lasting=True,
    ),
    Fault(
        "bell-tapping",
        "the bell taps while its own telephone dials: the condenser's surge at each break passes the ringing sense",
        "short ringing sensed on the telephone's own port at each break and on hanging up; the board's guard ends the "
        "call, as ringing where none is expected",
        (Kind.LINE,),
        _event("bell taps"),
        each="break",
    ),
    Fault(
        "hum",
        "the battery charger hums on the line",
        "at -20 dBm and above tones are not recognised any more; below that the hum lies under them unnoticed",
        (Kind.LINE,),
        lambda values, _: (Does("hum V", added=_ZERO_dBm_V * 10 ** (values["level"] / 20)),),
        (Figure("level", "level", "-8 dBm", -80, 0, "100 and 200 Hz together"),),
        each=_LASTING,
        lasting=True,
    ),
    Fault(
        "noisy-contact",
        "a dirty contact crackles",
        "at about -10 dBm and above tones are not recognised any more, or in pieces; below that nothing is sensed",
        (Kind.LINE,),
        lambda values, _: (Does("crackle V", added=_ZERO_dBm_V * 10 ** (values["level"] / 20)),),
        (Figure("level", "level", "-3 dBm", -80, 6, "while it crackles"),),
        each=_LASTING,
        lasting=True,
    ),
)

_SUPPLIES = (
    Fault(
        "low-battery",
        "the battery is down",
        "below about 30 V relays pull up late or not at all and magnets miss steps; at first only times grow. Long "
        "lines go first",
        (Kind.UNIT,),
        lambda values, unit: (Does("battery", factor=values["battery"] / unit.supply.battery_V),),
        (Figure("battery", "voltage", "20 V", 1, 60, "at the frame"),),
        each=_LASTING,
        lasting=True,
    ),
    Fault(
        "no-dial-tone",
        "the dial tone lead of a first switch is open",
        "no dial tone, though the switch takes digits",
        (Kind.SELECTOR, Kind.CONNECTOR),
        _event("no dial tone"),
        each="seizure of a first switch",
    ),
    Fault(
        "faint-tone",
        "a tone is too weak",
        "below about -38 dBm it is not heard at all; above that nothing is sensed, as levels are not judged",
        (Kind.TONE,),
        lambda values, _: (Does("tone level", added=-values["loss"]),),
        (Figure("loss", "level", "40 dB", 0, 100, "below its right level"),),
        each=_LASTING,
        lasting=True,
    ),
    Fault(
        "tone-off-pitch",
        "the tone generator runs at a wrong speed",
        "beyond the tone's tolerance it is not recognised as this tone",
        (Kind.TONE,),
        lambda values, _: (Does("tone frequency", factor=values["to"] / 100),),
        (Figure("to", "ratio", "110 %", 50, 200, "of the right frequencies"),),
        each=_LASTING,
        lasting=True,
    ),
)

#: Groups in the order in which they are listed.
GROUPS: dict[str, tuple[Fault, ...]] = {
    "Pulsing": _PULSING,
    "Mechanics": _MECHANICS,
    "Trunks and terminals": _TRUNKS,
    "Ringing": _RINGING,
    "Supervision": _SUPERVISION,
    "Lines": _LINES,
    "Supplies and tones": _SUPPLIES,
}
FAULTS: dict[str, Fault] = {fault.name: fault for group in GROUPS.values() for fault in group}
