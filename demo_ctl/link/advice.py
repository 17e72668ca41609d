"""For every code a board gives: what happened, where to look, what to do next. The one table of it, in plain words.

Reasons (R_...) come with the end of a plan and with ringing being withdrawn; answers (E_...) refuse a command. A code
this table does not know comes from newer firmware and gets an entry that says so.

It stands in this room because codes become words for people here first (a refused command); `run` and every room above
it reads the same table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from demo_ctl.wire import messages as m


@dataclass(frozen=True)
class Advice:
    """what: what happened. look: where. next_step: what to do. trip: this is what the guard latches for.

    Reasons without `trip` end plans, and latch the guard only if they come while ringing is allowed. Whether it has
    latched (exit code 4) is never read off this table: the guard's own event says "tripped".
    """

    what: str
    look: str
    next_step: str
    trip: bool = False

    @property
    def advice(self) -> str:
        """Where to look and what to do, as an error's next step."""
        return f"Look {self.look}. {self.next_step}"


#: What brings board and program together again.
LOAD_FIRMWARE = (
    "Copy this program's own demo_ctl/wire and demo_ctl/board folders onto the board, over the old ones, and reset it."
)
#: What resets the guard, and nothing else does. Begins a sentence's second half.
KEY = "turn the key off and on"

#: Why a plan ended early, and why ringing was withdrawn.
REASONS: Mapping[int, Advice] = MappingProxyType(
    {
        m.R_NONE: Advice(
            "the plan ran to its end",
            "nowhere: nothing is wrong",
            "Nothing to do.",
        ),
        m.R_STOP: Advice(
            "a program told the board to stop; every loop was opened and ringing taken off",
            "at whoever stopped it: Ctrl-C here, or another program that uses this board",
            "Run the call again when you are ready.",
        ),
        m.R_SILENCE: Advice(
            "the board heard nothing from this computer for too long, and released every line by itself",
            "at the cable between computer and board, and at what else keeps this computer busy",
            "Push the plugs home, close other heavy programs, keep the computer from going to sleep, and run again.",
        ),
        m.R_LIMIT: Advice(
            "something the call waited for did not come in its time",
            "at the step of the script that is named beside this, and at the switch that should have acted",
            "Watch the unit while the call runs again; if it is only slow, the script's `within` can be longer.",
        ),
        m.R_OVERFLOW: Advice(
            "the board had more to tell than the link could carry, and released every line",
            "at the cable and its adapters, and at a relay or contact that chatters on one of the ports",
            "Use a direct USB cable. If the unit chatters, find which port: the record's edges tell.",
        ),
        m.R_LATE: Advice(
            "the board could not perform an instruction at its time, and ended the plan rather than do it late",
            "at the board: its firmware was kept busy",
            f"Reset the board and run again. If it comes back: {LOAD_FIRMWARE}",
        ),
        m.R_WINDOW: Advice(
            "ringing was allowed for its longest time and was then taken off",
            "at the called line: ringing that was not tripped by the answer, or a call that rang on and on",
            f"Check that the called telephone answers and that the connector's trip relay works; then {KEY}.",
            trip=True,
        ),
        m.R_CHAIN: Advice(
            "the safety chain opened: nothing may ring, and the board released every line",
            "at the unit: covers, key switch, emergency stop, and the wires of both chain channels",
            "Make sure nobody touches the unit, close what is open, and run again.",
        ),
        m.R_ENDED: Advice(
            "ringing was taken off because its plan had ended",
            "nowhere: this is how a plan ends",
            "Nothing to do.",
        ),
        m.R_UNEXPECTED_RINGING: Advice(
            "ringing voltage was sensed on a line where none should be; the board cannot take away what does not come"
            " through its guard",
            "at that line: a bypassed or welded guard, a second generator, a backfeed through the unit's wiring",
            "Keep hands off the unit. Turn the key off, which isolates the ringing generator; measure, and find the"
            " path before ringing again.",
            trip=True,
        ),
        m.R_NEW_HELLO: Advice(
            "another program greeted the board while this call ran, so the board ended the call",
            "at this computer: a second demo_ctl, or a serial terminal that is open on the same port",
            "Close the other program, and run again.",
        ),
        m.R_LOCKED: Advice(
            "the board has started since the key was last turned, and keeps ringing locked until a person turns it",
            "at the unit: is anybody working on it, is every cover on",
            f"When the unit is safe to ring: {KEY}.",
            trip=True,
        ),
        m.R_KEY: Advice(
            "the key is off, or not at the position that this needs",
            "at the key switch; if it is on, at its wire",
            f"When the unit is safe to ring: {KEY}.",
            trip=True,
        ),
        m.R_DISCREPANCY: Advice(
            "the two channels of the safety chain disagreed for too long: one opened and the other did not",
            "at the cover, stop or key that was moved last: both of its contacts, and their wires",
            f"Open and close each cover by itself and watch `demo_ctl safety`. Mend what disagrees, then {KEY}.",
            trip=True,
        ),
        m.R_STUCK_CHAIN: Advice(
            "the key went off and a channel of the safety chain stayed closed: it is bridged, or a contact is welded",
            "at that channel's wiring from the key onwards; `demo_ctl safety` says which one reads closed",
            "Keep the ringing generator off: the emergency stop may not work either. Mend the channel, then "
            f"{KEY}, and prove the guard (demo_ctl safety prove).",
            trip=True,
        ),
        m.R_MIRROR: Advice(
            "a guard relay was not where its mirror contact should say: it did not pull up, it did not fall, or the"
            " mirror's wire is broken",
            "at the guard's relays A and B and their mirror contacts; `demo_ctl safety` says which one reads wrong",
            f"Isolate the ringing generator, and exchange a relay that stays up. Then {KEY}, and prove the guard.",
            trip=True,
        ),
        m.R_NO_SILENCE: Advice(
            "ringing was taken off, and the relays or the voltage on the ringing bus did not follow in time",
            "at the guard: a welded relay, a bridge across its contacts, a second generator",
            "Keep hands off the unit. Turn the key off, which isolates the ringing generator, and measure before"
            " touching anything.",
            trip=True,
        ),
        m.R_BUS: Advice(
            "there is ringing voltage on the bus while the guard is open: it does not come through the guard",
            "at the guard: a bypass or welded contacts; at the unit: a second generator, or a backfeed",
            "Keep hands off the unit. Turn the key off, which isolates the ringing generator; measure, and find the"
            " path before ringing again.",
            trip=True,
        ),
        m.R_OVERCURRENT: Advice(
            "more ringing current flowed than bells take",
            "at the ringing bus and the line that was rung: a short, or too many bells",
            f"Measure the line with the generator isolated. Mend the short, then {KEY}.",
            trip=True,
        ),
        m.R_OVERVOLTAGE: Advice(
            "the ringing voltage was higher than it may be on this battery",
            "at the ringing generator's setting, and at the battery's float voltage",
            f"Turn the generator down until `demo_ctl safety` shows less than the ceiling, then {KEY}.",
            trip=True,
        ),
        m.R_SUPPLY: Advice(
            "the ringing generator or the battery was not within what ringing needs",
            "at the generator (is it running?), its fuse, its isolating contactor (which opens with the safety chain),"
            " and the battery's voltage; `demo_ctl safety` shows both",
            f"Bring them right, then {KEY}.",
            trip=True,
        ),
        m.R_STALE: Advice(
            "the board had no fresh measurement of the ringing bus",
            "at the converter that measures the bus, and its cable to the board",
            f"Push its plugs home. When `demo_ctl safety` shows figures again: {KEY}.",
            trip=True,
        ),
        m.R_DEAD_BUS: Advice(
            "ringing was let through, and the ringing bus read no voltage: its measurement cannot be trusted, or no"
            " ringing gets onto the bus",
            "at the generator, its fuse and its isolating contactor; then at the wires of the bus to its converter, and"
            " at a short across the bus",
            f"With the generator isolated, find which of them it is and mend it. Then {KEY}, and prove the guard.",
            trip=True,
        ),
        m.R_ISOLATOR: Advice(
            "the chain is open, and the generator's voltage still reaches the guard: its isolating contactor is welded"
            " or passed by",
            "at the isolating contactor and the follower relay in its coil's circuit",
            "Keep hands off the unit. Switch the generator off by its own switch, and exchange the contactor. Then "
            f"{KEY}, and prove the guard.",
            trip=True,
        ),
        m.R_BURST: Advice(
            "ringing went on without its pause",
            "at the interrupter (a cam or relay that sticks), and at the connector, whose relay should trip ringing",
            f"Watch the interrupter turn, and free what sticks. Then {KEY}.",
            trip=True,
        ),
        m.R_CALL: Advice(
            "ringing was allowed for as long as it may be in one call",
            "at the call: a telephone that is not answered, or a script that rings for too long",
            f"Let the called party answer sooner. Then {KEY}.",
            trip=True,
        ),
        m.R_HOUR: Advice(
            "ringing was allowed for as long as it may be in an hour",
            "at how many calls ring, and how long each of them rings",
            f"Let the unit rest; `demo_ctl safety` shows how much is left. Then {KEY}.",
            trip=True,
        ),
        m.R_LOOP: Advice(
            "the board's own loop took too long, so it could not vouch for its checks",
            "at what keeps the board busy: a chattering relay, or a damaged cable that floods it",
            f"{KEY[0].upper()}{KEY[1:]}, and run again. If it comes back: {LOAD_FIRMWARE}",
            trip=True,
        ),
        m.R_CLOCK: Advice(
            "the board's clock jumped, so no time limit of its own could be trusted",
            "at the board and its power supply",
            f"Reset the board, then {KEY}. If it comes back, exchange the board.",
            trip=True,
        ),
        m.R_MEMORY: Advice(
            "the board was running out of memory",
            "at the board: firmware that was copied onto it needs too much memory to ring; it must be frozen",
            f"Everything else works. To ring: freeze the firmware (wiring/README.md, the board), then {KEY}.",
            trip=True,
        ),
        m.R_TOKEN: Advice(
            "one of the board's safety checks was left out in a pass of its loop: a fault of the firmware",
            "at the board's firmware",
            f"Do not ring with this board. {LOAD_FIRMWARE}",
            trip=True,
        ),
        m.R_OFF_HOOK: Advice(
            "a telephone was off the hook on a line where nobody should be while another is rung",
            "at the telephones on the ports that take no part in the call",
            f"Hang them up, then {KEY}.",
            trip=True,
        ),
        m.R_PRESENCE: Advice(
            "somebody is near the unit while it runs by itself",
            "at the room, and at the presence detector's wire",
            "See that the room is empty; then run it again.",
        ),
        m.R_COVERS: Advice(
            "the covers are not proven closed, and by night nothing rings without that",
            "at every cover, and at the covers' second contacts and their wire",
            "Close every cover until `demo_ctl safety` says so; then run it again.",
        ),
        m.R_NIGHT_LOST: Advice(
            "the key stood at night, and its night contact opened without the key having been turned off: the night's"
            " limits hold until it was",
            "at the key: turned straight from night to day? If nobody turned it: at the night contact, its wire, and"
            " the expander that reads it",
            "Turn the key off, and then to day or to night; then run it again.",
        ),
        m.R_PLACE: Advice(
            "this line may not be rung now: by night only board ports are, in a visitors' session only its own",
            "at the script's called party, and at the key's position",
            "Call another line, or run this by day.",
        ),
        m.R_VISITORS: Advice(
            "the visitors' session is over: it has a longest time, counted from the turn of the key",
            "at the key switch",
            f"To open another session: {KEY}.",
        ),
        m.R_NOT_ARMED: Advice(
            "the guard could not prove itself in time, so ringing was refused",
            "at what `demo_ctl safety` says is in the way: the chain, a mirror contact, the bus, the supply",
            "Put that right, and run again.",
        ),
        m.R_FUSE: Advice(
            "the fuse alarm came in: a fuse of the unit has blown",
            "at the alarm fuses, bay by bay",
            f"Find why it blew before a new one goes in. Then {KEY}.",
            trip=True,
        ),
        m.R_RELEASE: Advice(
            "the release alarm came in: a switch is not coming home",
            "at the switches whose shaft is up, and their release magnets (they may be hot)",
            f"Bring the switch home by hand with the battery off, find why, then {KEY}.",
            trip=True,
        ),
        m.R_SUPERVISORY: Advice(
            "the supervisory alarm came in",
            "at the supervisory lamps: a switch that is held with nobody on its line",
            f"Find which one and why, then {KEY}.",
            trip=True,
        ),
        m.R_SMOKE: Advice(
            "the smoke contact opened",
            "at the unit, from outside",
            "Look after people first, and call the fire brigade if in any doubt. "
            f"When a competent person has found the cause: {KEY}.",
            trip=True,
        ),
        m.R_LEASE: Advice(
            "the supply permit was not asked for again in its time",
            "at this computer: the program that runs the unit has ended or was held up",
            "Start it again; by day the key alone gives the supply.",
        ),
        m.R_NOT_HOME: Advice(
            "a switch did not come home in its time",
            "at the switch that is named beside this, and its release magnet (it may be hot)",
            f"Bring the switch home by hand with the battery off, find why, then {KEY}.",
            trip=True,
        ),
    }
)

#: R_NO_SILENCE when nothing had rung: then it is no ringing that stayed, but something that stands wrong at rest.
UP_AT_REST = Advice(
    "a guard relay reads up, or the ringing bus carries voltage, while nothing rings: the relay is welded, or its"
    " mirror contact's wire is broken",
    "at the guard's relays A and B and their mirror contacts; `demo_ctl safety` says which one reads up, and what the"
    " bus carries",
    "Keep hands off the unit. Turn the key off, which isolates the ringing generator, and measure; exchange a relay"
    f" that stays up. Then {KEY}, and prove the guard.",
    trip=True,
)
#: What an open chain is while the guard is locked.
NOT_TURNED = Advice(
    "the key was turned on while something was open, and such a turn does not count",
    "at the unit: covers, emergency stop, test plugs",
    f"Close what is open; when `demo_ctl safety` shows both channels closed, {KEY} once more.",
)
#: What an open chain is once the guard has tripped for it.
CHAIN_TRIPPED = f"Make sure nobody touches the unit, and close what is open. Then {KEY}, and run again."
#: What an open chain is when the key reads off.
BY_KEY = (
    "the key was turned off, or its wire opened, while ringing was allowed: nothing may ring, and the board released "
    "every line"
)
#: Its short name, as R_NAMES has them.
_UP_AT_REST = "a relay or the bus reads as if it rang"
#: The guard's states in which there was ringing to take off.
_RANG = (m.G_LIVE, m.G_FALLING)

#: Why the board refused a command.
ANSWERS: Mapping[int, Advice] = MappingProxyType(
    {
        m.OK: Advice("the board did as it was told", "nowhere: nothing is wrong", "Nothing to do."),
        m.E_UNKNOWN: Advice(
            "the board does not know this message",
            "at the board's firmware: it is older than this program",
            LOAD_FIRMWARE,
        ),
        m.E_STATE: Advice(
            "the board cannot do that now",
            "at the board's state: a plan may still be running or loading",
            "Wait a second and run again, or reset the board.",
        ),
        m.E_RANGE: Advice(
            "a value in the plan is outside what this board does",
            "at the instruction whose number is given, and at the script's step that asked for it",
            "Change that step; `demo_ctl plan SCRIPT` shows every instruction with its number.",
        ),
        m.E_ROLE: Advice(
            "the plan asks a port for something its role does not allow",
            "at the instruction whose number is given, and at what the unit's file attaches to that port",
            "Check `attached` in the unit's file and `parties` in the script.",
        ),
        m.E_CHECK: Advice(
            "the plan arrived damaged or not whole, and the board refused it",
            "at the cable between computer and board",
            "Run again; if it comes back, change the cable.",
        ),
        m.E_VERSION: Advice(
            "board and program were built from different message tables",
            "at the board's firmware",
            LOAD_FIRMWARE,
        ),
        m.E_FULL: Advice(
            "the plan has more instructions than the board can hold",
            "at the script: it is too long for this board",
            "Make the script shorter, or split it into two calls.",
        ),
        m.E_LOOSER: Advice(
            "the board's own safety limits may be tightened, never loosened",
            "at `longest` under `ringing` in the unit's file, or whoever asked for a longer limit",
            "Ask for no more than the board allows by itself.",
        ),
    }
)


def of_reason(code: int) -> Advice:
    """Give the advice for a reason code (R_...), known or not."""
    return REASONS.get(code) or _unknown("gave a reason", code)


def of_trip(code: int) -> Advice:
    """Give the advice for a reason that the guard tripped for: the key resets it, whatever else is to be done."""
    known = of_reason(code)
    if code == m.R_CHAIN:
        return replace(known, next_step=CHAIN_TRIPPED, trip=True)
    if known.trip:
        return known
    return Advice(known.what, known.look, f"{known.next_step} The guard stays tripped: {KEY}.", trip=True)


def what_of(trip: m.Trip) -> str:
    """Say what happened, as the board saw it then: an open chain with the key off was the key."""
    return BY_KEY if trip.reason == m.R_CHAIN and not trip.inputs & m.IN_KEY else of_reason(trip.reason).what


def of_worse(trip: m.Trip) -> Advice:
    """Give the advice for what came after a trip (its `worse`), by what the guard did before it."""
    return of_after(trip.worse, trip.state)


def of_after(worse: int, state: int) -> Advice:
    """Give the advice for `worse`, which came after a trip. state: the guard's (G_...) before that trip."""
    return UP_AT_REST if _at_rest(worse, state) else of_trip(worse)


def name_after(worse: int, state: int) -> str:
    """Name what came after a trip, as for `of_after`."""
    if _at_rest(worse, state):
        return _UP_AT_REST
    return m.R_NAMES[worse] if worse < len(m.R_NAMES) else f"code {worse}"


def _at_rest(worse: int, state: int) -> bool:
    return worse == m.R_NO_SILENCE and state not in _RANG


def of_obstacle(safety: m.Safety) -> Advice:
    """Give the advice for what keeps ringing from being allowed now."""
    if safety.state == m.G_LOCKED and safety.obstacle == m.R_CHAIN:
        return NOT_TURNED
    return of_reason(safety.obstacle)


def of_tripped(safety: m.Safety, trip: m.Trip | None) -> Advice:
    """Give the advice for a guard that is tripped now. trip: the board's own record of that, if it has one."""
    if trip is not None and trip.worse == safety.reason != m.R_NONE:
        return of_worse(trip)
    known = of_trip(safety.reason)
    return replace(known, what=what_of(trip)) if trip is not None and trip.reason == safety.reason else known


def of_answer(code: int) -> Advice:
    """Give the advice for an answer code (OK, E_...), known or not."""
    return ANSWERS.get(code) or _unknown("answered with a code", code)


def _unknown(did: str, code: int) -> Advice:
    return Advice(
        f"the board {did} that this program does not know ({code})",
        "at the board's firmware: it is newer than this program",
        "Treat the unit as unsafe until you know why it stopped. Use the program that came with the firmware.",
    )
