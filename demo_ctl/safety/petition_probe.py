"""The petition (windows, modes, sessions, ringing where none is expected), explored like the other watches."""
# ruff: noqa: D102, ARG002  # what each method of a probe does is said once, in Probe

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import Any

from demo_ctl.board import petition
from demo_ctl.safety.probe import Answers, Probe
from demo_ctl.wire import messages as m

#: Off, day, night, and the night contact closed by itself: that is no night.
_KEYS = (0, m.IN_KEY, m.IN_KEY | m.IN_NIGHT, m.IN_NIGHT)
_NIGHT_WANTS = (
    (m.IN_NIGHT, m.R_NIGHT_LOST),
    (m.IN_ALONE, m.R_PRESENCE),
    (m.IN_COVERS, m.R_COVERS),
    (m.IN_SMOKE, m.R_SMOKE),
    (m.IN_FUSE, m.R_FUSE),
    (m.IN_RELEASE, m.R_RELEASE),
    (m.IN_SUPERVISORY, m.R_SUPERVISORY),
)
_WELL = sum(bit for bit, _ in _NIGHT_WANTS if bit != m.IN_NIGHT)


class WindowProbe(Probe):
    """Windows on two ports, by day and at night: every order of openings, ends, turns of the key and passes.

    A pass is live only while there is a window, and the first pass that finds it over is the last that is live: so the
    guard does it.
    """

    name = "petition: windows"
    module = petition
    # A window lasts longer than arming may take, as on the board: else nothing would tell what arming takes.
    ARM, RELEASE, WINDOW, SHORT, SESSION = 2, 3, 3, 1, 2
    MOST = 4
    KINDS: tuple[int, ...] = (m.PLAN_CALL,)
    OPENINGS: tuple[tuple[int, int, int, bool], ...] = tuple(
        product((1, 2), (1, 2, WINDOW), (SHORT, WINDOW), (False, True))
    )
    #: On which ports ringing is sensed, and whether somebody is off the hook who should not be.
    SENSED: tuple[tuple[int, bool], ...] = (*((ports, False) for ports in range(4)), (0, True), (1, True), (2, True))
    constants = {  # noqa: RUF012
        "ARM_US": ARM,
        "RELEASE_US": RELEASE,
        "SESSION_UNIT_US": 1,
        "AGE_MOST_US": MOST,
        "SESSION_MOST": SESSION + 1,
    }
    laws = {  # noqa: RUF012
        "window": "Live on a window that is over, by its own time or the mode's longest, trips; not before.",
        "window goes": "A window that is over while not live is gone; only that and closing take one away.",
        "elsewhere": "While live, ringing on any other port than the window's trips, whatever else there is.",
        "at rest": "While not live, any ringing trips once the guard's own release time is over; not before.",
        "off the hook": "While live, somebody off the hook on a port that takes no part trips.",
        "night": "At night a plan ends with the night contact open, somebody near, covers not proven, or an alarm.",
        "night's ports": "At night only ports that the board answers get a window; one that is open elsewhere ends.",
        "mode": "It is night from when the key is seen there until it was turned off and on; else by the plan's kind.",
        "ends for a reason": "By day no plan ends for any of this, but for a visitors' session that is over.",
        "late": "A window is late when it has been open for its time and ringing is not let through; not before.",
        "wait": "wait_us is when time alone changes an answer: a window's, the release time's, or a session's.",
    }

    def make(self, module: Any) -> Any:
        self._known: set[Any] = set()
        return module.Petition()

    def notes(self) -> Any:
        # (port, ours, age, ends at this age), kind, night and key, release time left, age of the session, its budget
        # begun
        return (0, False, 0, 0), m.PLAN_CALL, (False, 0), self.RELEASE, self.SESSION + 1, False

    def actions(self, notes: Any) -> Iterator[Any]:
        (port, _, age, ends), _, (_, keys), _, _, _ = notes
        for elapsed, live in product(range(self.MOST + 1), (False, True)):
            if live and not (port and (age < ends or elapsed == 0)):
                continue
            for ringing, off_hook in self.SENSED:
                yield "pass", elapsed, live, ringing, off_hook
        for turned in _KEYS:
            yield "turn", turned
        for opening in self.OPENINGS:
            yield "open", *opening
        yield "shorten", self.SHORT
        yield "shorten", self.WINDOW
        yield ("close",)
        for kind in self.KINDS:
            yield "begin", kind, keys

    def act(self, action: Any) -> Any:
        it = self.it
        what, *rest = action
        self._was = it.mode
        if what == "pass":
            elapsed, live, ringing, off_hook = rest
            it.step(elapsed, live)
            return it.trips(live, ringing, off_hook)
        if what == "begin":
            began = it.begin(rest[0])
            it.turn(rest[1] | _WELL)
            return began
        if what == "turn":
            return it.turn(rest[0] | _WELL)
        if what == "turned_on":
            it.turned_on()
            return it.turn(rest[0] | _WELL)
        return getattr(it, what)(*rest)

    def next_notes(self, notes: Any, action: Any, answer: Any) -> Any:
        window, kind, (night, keys), release, session, begun = notes
        port, ours, age, ends = window
        what, *rest = action
        if what == "pass":
            elapsed, live, _, _ = rest
            session = min(session + elapsed, self.SESSION + 1)
            release = self.RELEASE if live else max(0, release - elapsed)
            age = min(age + elapsed, self.MOST)
            window = (port, ours, age, ends) if port and (live or age < ends) else (0, False, 0, 0)
        elif what == "turn":
            keys = rest[0]
            night = night or keys == _KEYS[2]
        elif what == "open":
            on, for_us, longest, is_ours = rest
            if is_ours or not night:
                age = age if port else 0
                window = (on, is_ours, age, min(age + for_us, longest))
        elif what == "shorten":
            window = (port, ours, age, min(ends, rest[0])) if port else window
        elif what == "close":
            window = (0, False, 0, 0)
        elif what == "begin":
            kind, begun = rest[0], begun or rest[0] == m.PLAN_VISITORS
        elif what == "turned_on":
            session, begun, night = 0, False, keys == _KEYS[2]
        return window, kind, (night, keys), release, session, begun

    def judge(self, notes: Any, action: Any, answer: Any) -> Answers:
        it = self.it
        window, kind, (night, keys), release, session, _ = self.next_notes(notes, action, answer)
        what, *rest = action
        mode = m.MODE_NIGHT if night else m.MODE_VISITORS if kind == m.PLAN_VISITORS else m.MODE_DAY
        told = what not in ("turn", "turned_on") or answer == (mode != self._was)
        yield "window goes", it.port == window[0]
        yield "mode", it.mode == mode and it.kind == kind and told
        if what == "pass":
            yield from self._judge_trips(window, rest, answer, release)
        elif what == "open":
            refused = mode == m.MODE_NIGHT and not rest[3]
            yield "night's ports", answer == (m.R_PLACE if refused else m.R_NONE)
        here = (self.take(), window, kind, night, keys, release, session)
        if here not in self._known:  # what it can be asked depends on nothing else: once is enough
            self._known.add(here)
            yield from self._judge_ends(window, mode, kind, session, keys)
            yield from self._judge_wait(window, kind, release, session)

    def _judge_trips(self, window: Any, did: Any, answer: int, release: int) -> Answers:
        port, _, age, ends = window
        _, live, ringing, off_hook = did
        other = ringing & ~{1: 1, 2: 2}.get(port, 0)
        if not live:
            yield "at rest", answer == (m.R_UNEXPECTED_RINGING if ringing and release == 0 else m.R_NONE)
        elif other:
            yield "elsewhere", answer == m.R_UNEXPECTED_RINGING
        elif off_hook:
            yield "off the hook", answer == m.R_OFF_HOOK
        else:
            yield "window", answer == (m.R_WINDOW if age >= ends else m.R_NONE)

    def _judge_ends(self, window: Any, mode: int, kind: int, session: int, keys: int) -> Answers:
        it = self.it
        port, ours, _, _ = window
        over = m.R_NONE
        if kind == m.PLAN_VISITORS and (session >= self.SESSION or not keys & m.IN_KEY):
            over = m.R_VISITORS
        if mode != m.MODE_NIGHT:
            yield "ends for a reason", it.withdraws(keys, self.SESSION) == over
            return
        key, well = keys & m.IN_KEY, _WELL | m.IN_NIGHT
        for at, (bit, reason) in enumerate(_NIGHT_WANTS):
            yield "night", it.withdraws(key | well & ~bit, self.SESSION) == reason
            these_on = sum(each for each, _ in _NIGHT_WANTS[:at])
            yield "night", it.withdraws(key | these_on, self.SESSION) == reason
        place = m.R_PLACE if port and not ours else over
        yield "night's ports", it.withdraws(key | well, self.SESSION) == place

    def _judge_wait(self, window: Any, kind: int, release: int, session: int) -> Answers:
        port, _, age, ends = window
        for live in (False, True):
            yield "late", self.it.late(live) == (port != 0 and not live and age >= self.ARM)
        for live, ringing, most in product((False, True), (0, 1), (0, self.SESSION)):
            waits = []
            if port:
                waits.append(max(0, ends - age))
                if not live and age < self.ARM:
                    waits.append(self.ARM - age)
            if ringing and not live and release:
                waits.append(release)
            if kind == m.PLAN_VISITORS and session < most:
                waits.append(most - session)
            yield "wait", self.it.wait_us(live, ringing, most) == (min(waits) if waits else -1)

    def parts(self, action: Any) -> Iterator[tuple[Any, Any]]:
        if action[0] == "pass":
            _, elapsed, live, *rest = action
            # Live twice only if the first part did not trip: the guard would not be live again.
            for first in range(elapsed + 1):
                yield ("pass", first, live, *rest), ("pass", elapsed - first, live, *rest)

    def shows(self) -> Any:
        it = self.it
        waits = tuple(it.wait_us(live, 1, self.SESSION) for live in (False, True))
        return it.port, it.mode, it.kind, waits, it.late(False), it.session_left(m.IN_KEY, self.SESSION)

    def bounded(self, value: int) -> bool:
        return 0 <= value <= 2 * self.MOST


class SessionProbe(WindowProbe):
    """Visitors' sessions: plans of both kinds, one kind of window, the key in every position, turned on at any time."""

    name = "petition: visitors' sessions"
    KINDS = (m.PLAN_CALL, m.PLAN_VISITORS)
    RELEASE = 1  # how it is counted down, the windows' probe sees
    constants = {**WindowProbe.constants, "RELEASE_US": RELEASE}  # noqa: RUF012
    OPENINGS = ((1, 2, WindowProbe.WINDOW, True),)
    SENSED = ((0, False), (1, False))
    laws = {  # noqa: RUF012
        "session": "A visitors' session lasts for its time from the turn of the key, if the key stays on.",
        "one budget": "A call's budget begins anew with each plan, but for visitors once in a session.",
        **{
            law: says
            for law, says in WindowProbe.laws.items()
            if law not in ("night's ports", "elsewhere", "off the hook")
        },
    }

    def actions(self, notes: Any) -> Iterator[Any]:
        yield from super().actions(notes)
        yield "turned_on", notes[2][1]

    def judge(self, notes: Any, action: Any, answer: Any) -> Answers:
        for law, holds in super().judge(notes, action, answer):
            if law in self.laws:
                yield law, holds
        _, _, _, _, session, _ = self.next_notes(notes, action, answer)
        for keys in _KEYS:
            left = max(0, self.SESSION - session) if keys & m.IN_KEY else 0
            yield "session", self.it.session_left(keys, self.SESSION) == left
        if action[0] == "begin":
            yield "one budget", answer == (action[1] != m.PLAN_VISITORS or not notes[5])
