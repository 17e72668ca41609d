"""Whole shows on the bench: performed, stopped, failing in front of people, rehearsed, told to screens."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.ledger.read import read_record
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.client import Client
from demo_ctl.link.port import Port, add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.plan.model import Check, Plan
from demo_ctl.safety.readiness import check_exercised, check_guard
from demo_ctl.script.sheet_load import parse_sheet
from demo_ctl.show import engine, outcomes
from demo_ctl.show.engine import Phase
from demo_ctl.show.hub import ConsoleState, Hub
from demo_ctl.show.outcomes import Outcomes
from demo_ctl.show.pictures import Pictures
from demo_ctl.show.programme import Part, Programme, prepare
from demo_ctl.show.scene import start
from demo_ctl.show.screens import Film
from demo_ctl.show.show_house import House
from demo_ctl.show.stagehand import Stagehand
from demo_ctl.show.wishes import Kind, Wish
from demo_ctl.terms.errors import DemoError
from demo_ctl.terms.outcome import Exit, Outcome
from demo_ctl.wire import messages as m

CONFIGS = Path(__file__).parents[2] / "configs"
UNIT = CONFIGS / "units" / "travelling.yaml"
HEAD = "format: demo_ctl show 1\nname: tried\ntitle: {en: A show of a test}\nlanguages: [en, de]\ncalls:\n"
ANSWERED = "  - call: ../calls/answered.yaml\n    pace: 1/2\n"
WAIT_S = 60


def programme(calls: str, *, rehearsal: bool = False, folder: Path = CONFIGS / "shows") -> Programme:
    sheet = parse_sheet(
        HEAD.replace("title: {en: A show of a test}", "title: {en: Show, de: Schau}") + calls,
        str(folder / "tried.yaml"),
    )
    return prepare(sheet, load_unit(UNIT), rehearsal=rehearsal)


def may_ring(client: Client, plan: Plan) -> None:
    """As for every call: a guard that has not tripped and whose contacts were all worked."""
    if plan.ringing:
        safety = client.safety()
        check_guard(safety, simulated=True)
        check_exercised(safety)


class Bench:
    """Benches, opened one after the other as a show asks for them; their clocks go on one after the other."""

    def __init__(self, *options: str) -> None:
        add_url_package("demo_ctl.bench")
        self.options = options or ("",)
        self.ports: list[Port] = []
        self.before_us = 0

    def open(self, _url: str) -> Client:
        if self.ports:
            self.before_us += self.ports[-1].clock_us()
        option = self.options[min(len(self.ports), len(self.options) - 1)]
        self.ports.append(open_port(f"bench://?unit={UNIT}{option}"))
        client = Client(self.ports[-1])
        client.port.url = "bench"
        return client

    def now_us(self) -> int:
        return self.before_us + (self.ports[-1].clock_us() if self.ports else 0)

    def seized(self, bench: int = -1) -> bool:
        """Whether current flows in any line that a port can close, told by the simulated unit itself."""
        line: Any = self.ports[bench]._line
        return bool(line.world.unit.levels() & 0x1111)

    def house(self, **more: Any) -> House:
        ready = more.pop("ready", may_ring)
        return House(self.open, lambda _plan: "bench", ready, clock_us=self.now_us, **more)


class Watched(Hub):
    """A hub that keeps everything it was given."""

    def __init__(self) -> None:
        super().__init__()
        self.all: list[dict[str, Any]] = []

    def publish(self, value: Any) -> int:
        self.all.append(json.loads(json.dumps(value)))
        return super().publish(value)


@pytest.fixture
def shows() -> Iterator[Callable[..., Stagehand]]:
    made: list[Stagehand] = []

    def make(*args: Any, **more: Any) -> Stagehand:
        made.append(Stagehand(*args, **more))
        return made[-1]

    yield make
    for hand in made:
        hand.close()
        assert not hand._worker.is_alive()


def when(found: Callable[[ConsoleState], bool], do: Callable[[], object]) -> Callable[[ConsoleState], None]:
    """Do something once, in the very moment in which a state of the console is found."""
    done = threading.Event()

    def on_state(state: ConsoleState) -> None:
        if not done.is_set() and found(state):
            done.set()
            do()

    return on_state


def test_a_whole_show_alone_slowly_and_then_at_normal_speed(shows: Callable[..., Stagehand]) -> None:
    bench, hub = Bench(), Watched()
    show = programme(ANSWERED + "    repeat: [{pace: 1, screen: wipers}]\n  - call: ../calls/busy.yaml\n")
    pictures = Pictures(hub, show.unit.value, ("en", "de"))
    states: list[ConsoleState] = []
    hand = shows(show, bench.house(), audience=pictures, on_state=states.append, alone=True)
    pictures.on_stage = hand.stage
    hand.start()
    assert hand.wait(WAIT_S)
    assert [part for part, _ in hand.results] == [0, 1, 2]
    assert all(result.exit_code == Exit.OK for _, result in hand.results)
    assert hand.trouble == ""
    assert hand.state().phase is Phase.DONE
    assert not bench.seized()
    assert len(bench.ports) == 1
    # Held where the sheet says: everywhere in the slow call, nowhere when it is shown again.
    held = [(state["place"], state["happening"].split(",")[0]) for state in states if state["waiting"]]
    first = dict.fromkeys(each for place, each in held if place == "1 of 3")
    assert list(first) == [
        "Holding on dial tone at caller (counter)",
        "Holding after the 1st digit",
        "Holding while the bell rings",
        "Holding while they talk",
    ]
    assert not [each for place, each in held if place == "2 of 3"]
    # The screens saw the stages in their order, in both languages, and what each part is to show.
    stages = [each["scene"]["stage"] for each in hub.all if each["scene"] is not None and each["what"] == "everything"]
    slow = [stage for stage, before in zip(stages, [-1, *stages], strict=False) if stage != before]
    assert {1, 3, 4, 7, 8, 10, 11} <= set(slow)
    assert {each["what"] for each in hub.all} == {"everything", "wipers"}
    assert all(set(each["caption"]) == {"en", "de"} for each in hub.all if each["scene"] is not None)
    assert {each["pace"] for each in hub.all} == {"", "1/2"}
    assert not any(each["replay"] for each in hub.all)


def test_stop_opens_the_loop_within_a_second_and_nothing_begins_before_the_switches_are_home(
    shows: Callable[..., Stagehand],
) -> None:
    bench = Bench()
    asked: list[int] = []
    states: list[ConsoleState] = []

    def stop() -> None:
        asked.append(bench.ports[-1].clock_us())
        assert "Stopping" in hand.wish(Wish(Kind.STOP)).text

    at_ringing = when(lambda state: state["ringing_left_us"] > 0, stop)

    def on_state(state: ConsoleState) -> None:
        states.append(state)
        at_ringing(state)
        if "Restoring" in state["happening"]:
            said = hand.wish(Wish(Kind.NEXT))
            assert (said.done, "Nothing can begin" in said.text) == (False, True)
        if state["place"] == "2 of 2" and not state["running"]:
            ready.set()
        if state["waiting"] and not asked:
            hand.wish(Wish(Kind.NEXT))

    ready = threading.Event()
    hand = shows(programme(ANSWERED + ANSWERED), bench.house(), on_state=on_state)
    hand.start()
    hand.wish(Wish(Kind.NEXT))
    assert ready.wait(WAIT_S)
    ((_, result),) = hand.results
    assert result.released
    welcome = result.observation.welcome
    over = next(
        event.at_us
        for event in result.observation.events
        if event.kind == m.EV_PLAN and event.value & 0xFF == m.ENDED_EARLY
    )
    # The port's clock began when the board's read `now_us` (less what hello took).
    assert over - welcome.now_us - asked[0] < 1_000_000
    guard = [e.value & 0xFF for e in result.observation.events if e.kind == m.EV_GUARD]
    assert guard[-1] != m.G_LIVE
    assert not bench.seized()
    kinds = [state["happening"].split(":")[0].split(",")[0] for state in states]
    order = [kind for kind, before in zip(kinds, ["", *kinds], strict=False) if kind != before]
    assert order[-3:] == ["Stopping", "Restoring", "Nothing is on the line."]


def test_a_gate_that_nobody_opens_while_the_bell_rings_ends_by_the_answer(shows: Callable[..., Stagehand]) -> None:
    bench, limits = Bench(), list[int]()
    done = threading.Event()

    def on_state(state: ConsoleState) -> None:
        if state["ringing_left_us"] >= 0:
            limits.append(state["ringing_left_us"])
        elif state["waiting"]:
            hand.wish(Wish(Kind.NEXT))
        if (state["elapsed_us"] and not state["running"] and "Nothing" in state["happening"]) or "over" in state[
            "happening"
        ]:
            done.set()

    hand = shows(programme(ANSWERED), bench.house(), on_state=on_state)
    hand.start()
    hand.wish(Wish(Kind.NEXT))
    assert done.wait(WAIT_S)
    ((_, result),) = hand.results
    assert result.exit_code == Exit.OK
    assert limits
    live = [e.at_us for e in result.observation.events if e.kind == m.EV_GUARD and e.value & 0xFF == m.G_LIVE]
    off = [e.at_us for e in result.observation.events if e.kind == m.EV_GUARD and e.value & 0xFF == m.G_FALLING]
    longest_us = load_unit(UNIT).value.ringing.longest_us
    assert limits[0] < off[0] - live[0] < longest_us - 2_000_000


FAULT = "&fault=dead-pulsing-relay@selector%201"


def test_a_call_that_fails_in_front_of_people_is_placed_once_more(shows: Callable[..., Stagehand]) -> None:
    bench = Bench(FAULT, "")
    notices: list[str] = []
    calls = (
        ANSWERED.replace("answered", "permanent-off-hook") + "    stops: none\n    if it fails: {try once more: yes}\n"
    )
    show = programme(calls)

    def on_state(state: ConsoleState) -> None:
        if state["notice"] and state["notice"] not in notices:
            notices.append(state["notice"])
            hand._session.client = None  # the second try finds another, sound unit

    hand = shows(show, bench.house(), on_state=on_state, alone=True)
    hand.start()
    assert hand.wait(WAIT_S)
    assert [(part, result.exit_code) for part, result in hand.results] == [(0, Exit.CHECK_FAILED), (0, Exit.OK)]
    assert notices[0].startswith("The call failed: did not come in time: hold for dial tone at caller (counter)")
    assert notices[0].endswith("It is placed once more.")


def test_a_call_that_fails_twice_is_shown_as_a_replay_and_that_is_said(
    shows: Callable[..., Stagehand], tmp_path: Path
) -> None:
    # A good call is recorded first, on another evening.
    good = Bench()
    kept = tmp_path / "good.jsonl"
    script = (CONFIGS / "calls" / "permanent-off-hook.yaml").read_text(encoding="utf-8")
    (tmp_path / "off-hook.yaml").write_text(script, encoding="utf-8")
    calls = "  - call: off-hook.yaml\n    stops: none\n"
    first = shows(
        programme(calls, folder=tmp_path), good.house(recorder=lambda _part, _number: RecordWriter(kept)), alone=True
    )
    first.start()
    assert first.wait(WAIT_S)
    assert kept.exists()

    bench, hub = Bench(FAULT), Watched()
    show = programme(calls + "    if it fails: {try once more: yes, replay: good.jsonl}\n", folder=tmp_path)
    clock = [0.0]

    def sleep(seconds: float) -> None:
        clock[0] += seconds

    pictures = Pictures(hub, show.unit.value, ("en", "de"), sleep=sleep, clock_s=lambda: clock[0])
    told: list[ConsoleState] = []
    hand = shows(show, bench.house(), audience=pictures, on_state=told.append, alone=True)
    hand.start()
    assert hand.wait(WAIT_S)
    assert len(hand.results) == 2
    replayed = [state for state in told if state["happening"].startswith("REPLAY")]
    assert replayed
    assert all("A recorded call is shown instead" in state["notice"] for state in replayed)
    assert all(not state["line"] and not state["running"] for state in replayed)
    shown = [each["scene"]["stage"] for each in hub.all if each["replay"]]
    assert 3 in shown  # dial tone, which the faulty unit never gave
    assert not [each for each in hub.all if not each["replay"] and each["scene"] and each["scene"]["stage"] == 3]
    assert 15 < clock[0] < 25  # at its own speed
    assert not hub.all[-1]["replay"]


def test_a_rehearsal_needs_no_proven_guard_and_rings_nothing(shows: Callable[..., Stagehand]) -> None:
    bench = Bench("&guard=locked")
    hand = shows(programme(ANSWERED, rehearsal=True), bench.house(), alone=True)
    hand.start()
    assert hand.wait(WAIT_S)
    ((_, result),) = hand.results
    assert result.exit_code == Exit.OK
    assert m.G_LIVE not in {e.value & 0xFF for e in result.observation.events if e.kind == m.EV_GUARD}
    # What would be checked of ringing is told as not run, and why; everything else was checked.
    assert result.judgement is not None
    quiet = [each for each in result.judgement.verdicts if each.outcome is Outcome.NOT_RUN]
    assert quiet == [each for each in result.judgement.verdicts if each.left_out]
    assert all("not run, this is a rehearsal, and nothing rings in it" in each.say for each in quiet)
    assert {each.check for each in quiet} >= {Check.FIRST_RING, Check.RANG, Check.RING_TRIP, Check.OTHERS_RANG}
    assert not {each.check for each in quiet} & {Check.DIAL_TONE_DELAY, Check.PULSES, Check.RELEASE}


def test_a_call_that_may_not_ring_is_not_begun_and_the_show_goes_on(shows: Callable[..., Stagehand]) -> None:
    def refuse(_client: Client, plan: Plan) -> None:
        if plan.ringing:
            raise DemoError("the guard is not proven", next_step="Prove it.")

    notices: set[str] = set()
    hand = shows(
        programme(ANSWERED + "    if it fails: {try once more: yes}\n  - call: ../calls/busy.yaml\n"),
        Bench().house(ready=refuse),
        on_state=lambda state: notices.add(state["notice"]),
        alone=True,
    )
    hand.start()
    assert hand.wait(WAIT_S)
    assert [(part, result.exit_code) for part, result in hand.results] == [(1, Exit.OK)]
    assert any(notice.startswith("Not begun: the guard is not proven") for notice in notices)


def test_a_cable_that_is_pulled_is_told_and_the_port_is_opened_anew(shows: Callable[..., Stagehand]) -> None:
    bench = Bench()
    pull = when(lambda state: state["waiting"], lambda: bench.ports[0].close())
    seen: list[str] = []

    def on_state(state: ConsoleState) -> None:
        seen.append(state["notice"])
        pull(state)

    calls = ANSWERED.replace("answered", "busy") + "    if it fails: {try once more: yes}\n"
    hand = shows(programme(calls), bench.house(), on_state=on_state, alone=True)
    hand.start()
    assert hand.wait(WAIT_S)
    assert [result.status.value for _, result in hand.results] == ["link lost", "finished"]
    assert len(bench.ports) == 2
    assert any("It is placed once more." in each for each in seen)


def test_a_screen_that_fails_never_touches_the_call(shows: Callable[..., Stagehand]) -> None:
    class Broken:
        def __getattr__(self, name: str) -> Any:
            raise RuntimeError(f"no {name}")

    def fail(_state: ConsoleState) -> None:
        raise RuntimeError("no console either")

    hand = shows(programme(ANSWERED), Bench().house(), audience=Broken(), on_state=fail, alone=True)
    hand.start()
    assert hand.wait(WAIT_S)
    assert [result.exit_code for _, result in hand.results] == [Exit.OK]
    assert "fails" in hand.trouble


def test_a_pace_that_makes_the_call_too_long_is_refused_at_once(
    shows: Callable[..., Stagehand], tmp_path: Path
) -> None:
    text = (CONFIGS / "calls" / "answered.yaml").read_text(encoding="utf-8").replace("talk: 4 s", "talk: 60 min")
    (tmp_path / "long.yaml").write_text(text, encoding="utf-8")
    hand = shows(programme("  - call: long.yaml\n", folder=tmp_path), Bench().house())
    hand.start()
    said = hand.wish_words("pace", "1/50")
    assert not said.done
    assert "Not at this pace" in said.text
    assert hand.state().pace is None


def test_blank_three_times_is_answered_with_what_will_be(shows: Callable[..., Stagehand]) -> None:
    hand = shows(programme(ANSWERED), Bench().house())
    hand.start()
    said = [hand.wish_words("blank").text.split(".")[0] for _ in range(3)]
    assert said == [f"The audience's screen is {how}" for how in ("dark", "on", "dark")]
    assert hand.state().blank


def test_parts_and_their_pictures_are_the_sheet_s() -> None:
    captions = "    captions: {ringing: {en: Ring!, de: Klingeling!}}\n    screen: line\n"
    show = programme(ANSWERED + captions)
    hub = Watched()
    pictures = Pictures(hub, show.unit.value, ("en", "de"))
    part: Part = show.parts[0]
    pictures.call(part, part.plan)
    assert hub.all[-1]["what"] == "line"
    assert hub.all[-1]["caption"]["en"] != ""
    pictures._show(replace(start(part.plan, show.unit.value), stage=7))
    assert hub.all[-1]["caption"] == {"en": "Ring!", "de": "Klingeling!"}
    pictures.blank(True)
    assert hub.all[-1]["blank"]


# -- what was seen in a review, and must not come again -------------------------------------------------------


def wait_for(what: Callable[[], object]) -> None:
    """Wait until something is so, or fail."""
    give_up = time.monotonic() + WAIT_S
    while not what():
        assert time.monotonic() < give_up
        time.sleep(0.01)


def ready_again(hand: Stagehand) -> bool:
    return hand.state().phase in (Phase.READY, Phase.DONE)


def test_a_call_that_was_refused_can_be_begun_again_and_each_refusal_is_kept(
    shows: Callable[..., Stagehand], tmp_path: Path
) -> None:
    bench = Bench("&guard=locked")

    def recorder(_part: Part, number: int) -> RecordWriter:
        return RecordWriter(tmp_path / f"{number}.jsonl")

    hand = shows(programme(ANSWERED), bench.house(recorder=recorder))
    hand.start()
    for tries, kind in enumerate((Kind.NEXT, Kind.REPEAT, Kind.REPEAT), 1):
        hand.wish(Wish(kind))
        wait_for(lambda tries=tries: len(hand.refusals) == tries and ready_again(hand))  # type: ignore[misc]
        assert "ringing is not allowed now" in hand.state().notice
    assert [(each.part, each.exit_code) for each in hand.refusals] == [(0, Exit.BAD_INPUT)] * 3
    assert hand.outcomes.codes == {Exit.BAD_INPUT}
    records = [read_record(tmp_path / f"{number}.jsonl") for number in (1, 2, 3)]
    assert [(record.status, record.exit_code) for record in records] == [("refused", Exit.BAD_INPUT)] * 3


def test_the_guard_of_the_board_is_shown_before_the_first_call_and_while_nothing_is_on(
    shows: Callable[..., Stagehand],
) -> None:
    bench, states = Bench("&guard=locked"), list[ConsoleState]()
    hand = shows(programme(ANSWERED), bench.house(), on_state=states.append)
    assert "not known" in hand.told()["ringing"]
    hand.start()
    wait_for(lambda: "turn the key off and on" in hand.told()["ringing"])
    assert "turn the key off and on" in states[-1]["ringing"]
    line: Any = bench.ports[0]._line
    with line.standing_still() as world:
        world.hardware.turn_key("off")
    wait_for(lambda: "the key is off" in hand.told()["ringing"])
    assert not hand.results


def test_a_board_that_is_lost_while_it_rings_leaves_no_old_word_of_its_guard(shows: Callable[..., Stagehand]) -> None:
    bench, after = Bench(), list[ConsoleState]()
    pull = when(lambda state: state["ringing_live"], lambda: bench.ports[0].close())

    def on_state(state: ConsoleState) -> None:
        pull(state)
        if "Restoring" in state["happening"]:
            after.append(state)
        elif state["waiting"]:
            hand.wish(Wish(Kind.NEXT))

    hand = shows(programme(ANSWERED), bench.house(), on_state=on_state)
    hand.start()
    hand.wish(Wish(Kind.NEXT))
    wait_for(lambda: after)
    assert "not known" in after[0]["ringing"]
    wait_for(lambda: hand.told()["ringing"] == "ringing is off")  # once the board is there again
    assert not any(state["ringing_live"] for state in after)


def test_a_fault_of_our_own_between_calls_is_told_and_the_show_goes_on(shows: Callable[..., Stagehand]) -> None:
    bench, failing = Bench(), threading.Event()

    def clock_us() -> int:
        if failing.is_set() and threading.current_thread().name == "stagehand":
            raise ZeroDivisionError("of a test")
        return bench.now_us()

    show = programme(ANSWERED.replace("    pace: 1/2\n", "    stops: none\n"))
    hand = shows(show, replace(bench.house(), clock_us=clock_us))
    hand.start()
    wait_for(lambda: bench.ports)
    failing.set()
    wait_for(lambda: "This program failed: ZeroDivisionError" in hand.trouble)
    assert "the port is opened anew" in hand.told()["notice"]
    failing.clear()
    hand.wish(Wish(Kind.NEXT))
    wait_for(lambda: hand.results and ready_again(hand))
    ((_, result),) = hand.results
    assert result.exit_code == Exit.OK
    assert not bench.seized()


class Screen:
    """A screen that shows every film until it is told to leave; everything else is nothing to it."""

    def __init__(self) -> None:
        self.shown = 0  # films begun
        self.left = 0

    def replay(self, _film: Film, _part: Part, leave: Callable[[], bool]) -> None:
        self.shown += 1
        while not leave():
            time.sleep(0.01)
        self.left += 1

    def __getattr__(self, _name: str) -> Callable[..., None]:
        return lambda *_args: None


SEEN_AGAIN = "  - call: ../calls/busy.yaml\n    stops: none\n    repeat: [{unfold: first pulse}]\n"


def test_a_replay_that_is_ended_before_it_has_begun_is_not_shown(shows: Callable[..., Stagehand]) -> None:
    screen = Screen()
    hand = shows(programme(SEEN_AGAIN), Bench().house(), audience=screen)
    hand.start()
    hand.wish(Wish(Kind.NEXT))
    wait_for(lambda: hand.results and ready_again(hand))
    with hand._course.lock:
        time.sleep(0.3)  # the worker stands at the lock, between two passes
        hand.wish(Wish(Kind.NEXT))
        assert hand.state().phase is Phase.REPLAYING
        hand.wish(Wish(Kind.NEXT))
    wait_for(lambda: not hand._course.doings)
    time.sleep(0.3)
    assert screen.shown == screen.left
    assert hand.state().phase is Phase.DONE
    # One that is ended takes nothing from the next one, however soon that is asked for.
    hand.wish(Wish(Kind.REPEAT))
    before = screen.shown
    wait_for(lambda: screen.shown > before)
    with hand._course.lock:
        hand.wish(Wish(Kind.NEXT))
        hand.wish(Wish(Kind.REPEAT))
    wait_for(lambda: screen.shown > before + 1)
    assert hand.state().phase is Phase.REPLAYING
    time.sleep(0.3)
    assert (hand.state().phase, screen.left) == (Phase.REPLAYING, before + 1)
    hand.wish(Wish(Kind.STOP))
    wait_for(lambda: screen.left == screen.shown)


def test_a_stop_in_the_moment_in_which_a_call_ends_stops_no_other(
    shows: Callable[..., Stagehand], monkeypatch: pytest.MonkeyPatch
) -> None:
    hand = shows(programme(SEEN_AGAIN), Bench().house())
    fingers: list[threading.Thread] = []
    tell = hand._course.tell

    def pressed(news: engine.News) -> None:
        """Somebody presses stop just before the end of the first call is told."""
        if isinstance(news, engine.Over) and not fingers:
            fingers.append(threading.Thread(target=hand.wish, args=(Wish(Kind.STOP),)))
            fingers[0].start()
            fingers[0].join(0.5)
        tell(news)

    monkeypatch.setattr(hand._course, "tell", pressed)
    hand.start()
    hand.wish(Wish(Kind.NEXT))
    wait_for(lambda: hand.results and ready_again(hand))
    (finger,) = fingers
    finger.join()
    with hand._course.lock:
        hand._course.state = replace(hand.state(), phase=Phase.READY, part=0)
    hand.wish(Wish(Kind.NEXT))
    wait_for(lambda: hand.state().phase is not Phase.STARTING)
    wait_for(lambda: ready_again(hand))
    assert [result.status.value for _, result in hand.results] == ["finished"] * 2


def test_what_cannot_be_shown_again_is_not_kept(shows: Callable[..., Stagehand]) -> None:
    calls = "  - call: ../calls/busy.yaml\n    stops: none\n    repeat: [{pace: 1}, {pace: 1}]\n"
    hand = shows(programme(calls), Bench().house(), alone=True)
    hand.start()
    assert hand.wait(WAIT_S)
    assert [result.exit_code for _, result in hand.results] == [Exit.OK] * 3
    assert not any(result.observation.audio for _, result in hand.results)
    assert [bool(result.observation.events) for _, result in hand.results] == [False, False, True]
    assert all(result.judgement is not None for _, result in hand.results)
    newest = hand.outcomes.seen(hand.programme.parts[0].call, well=True)
    assert newest is not None
    assert newest.observation.events


def test_a_day_of_calls_is_kept_bounded_and_no_exit_code_is_forgotten(shows: Callable[..., Stagehand]) -> None:
    hand = shows(programme(ANSWERED.replace("answered", "busy")), Bench().house(), alone=True)
    hand.start()
    assert hand.wait(WAIT_S)
    ((_, result),) = hand.results
    kept = Outcomes()
    kept.took(0, 0, replace(result, exit_code=4))
    for _ in range(outcomes.MOST + 10):
        kept.took(0, 0, replace(result))
        kept.refused(0, 2, "no")
    assert (len(kept.results), len(kept.refusals)) == (outcomes.MOST, outcomes.MOST)
    assert sum(bool(each.observation.events) for _, each in kept.results) == 1
    assert kept.codes == {0, 2, 4}
    assert kept.not_listed == 21


def test_a_presenter_can_stop_while_the_disk_hangs_at_the_record_s_start(
    shows: Callable[..., Stagehand], tmp_path: Path
) -> None:
    class Hanging(RecordWriter):
        def saved(self, wait_s: float) -> bool:
            time.sleep(wait_s / 10)
            return False

    hand = shows(
        programme(ANSWERED), Bench().house(recorder=lambda _part, number: Hanging(tmp_path / f"{number}.jsonl"))
    )
    hand.start()
    hand.wish(Wish(Kind.NEXT))
    wait_for(lambda: (tmp_path / "1.jsonl").exists())
    assert hand.state().phase is Phase.STARTING
    hand.wish(Wish(Kind.STOP))
    wait_for(lambda: ready_again(hand))
    ((_, result),) = hand.results
    assert (result.status.value, result.reason) == ("interrupted", "stopped by the presenter")
    assert result.observation.events == ()
    assert hand.state().notice == ""
