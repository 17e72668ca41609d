"""A show follows a real telephone: what the sheet needs, the plan, the page, what is told of the dial, and the end."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.bench.telephones import telephones_of
from demo_ctl.link.client import Client
from demo_ctl.link.port import Port, add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.plan.model import Plan
from demo_ctl.run.result import Status
from demo_ctl.safety.readiness import bench_ready
from demo_ctl.script.sheet_load import parse_sheet
from demo_ctl.show import checkup
from demo_ctl.show.engine import Phase
from demo_ctl.show.hub import ConsoleState, Hub
from demo_ctl.show.pictures import Pictures
from demo_ctl.show.programme import Programme, prepare
from demo_ctl.show.show_house import House
from demo_ctl.show.stagehand import Stagehand
from demo_ctl.show.wishes import Kind, Wish
from demo_ctl.terms.errors import DemoError
from demo_ctl.wire import messages as m

CONFIGS = Path(__file__).parents[2] / "configs"
UNIT = CONFIGS / "units" / "travelling.yaml"
HEAD = "format: demo_ctl show 1\nname: tried\ntitle: {en: Show, de: Schau}\nlanguages: [en, de]\n"
FOLLOW = "  - follow: parlour\n    at most: 60 s\n"
ANSWERED = "  - call: ../calls/answered.yaml\n    stops: none\n"
RECORDED = CONFIGS / "exhibits" / "recorded" / "answered.jsonl"
WAIT_S = 60


def programme(calls: str, *, unit: Path = UNIT, head: str = HEAD, ports: int = 4) -> Programme:
    sheet = parse_sheet(head + "calls:\n" + calls, str(CONFIGS / "shows" / "tried.yaml"))
    return prepare(sheet, load_unit(unit), ports=ports)


class Stage:
    """A bench, screens that keep all they are given, and somebody who may come to the telephone."""

    def __init__(
        self, show: Programme, digits: str = "", pps: float = 10, *, hangs_up: bool = True, **more: Any
    ) -> None:
        add_url_package("demo_ctl.bench")
        self.port: Port = open_port(f"bench://?unit={UNIT}")
        self.digits, self.pps, self.hangs_up = digits, pps, hangs_up
        self.views: list[dict[str, Any]] = []
        self.states: list[ConsoleState] = []
        self.hub = Hub()
        publish = self.hub.publish

        def keep(value: Any) -> int:
            self.views.append(json.loads(json.dumps(value)))
            return publish(value)

        self.hub.publish = keep  # type: ignore[method-assign]
        self.clock_s = 0.0
        self.pictures = Pictures(
            self.hub, show.unit.value, ("en", "de"), sleep=self._sleep, clock_s=lambda: self.clock_s
        )
        client = Client(self.port)
        client.port.url = "bench"
        house = House(lambda _url: client, lambda _plan: "bench", bench_ready, on_follow=self._come)
        house = House(**{**house.__dict__, "clock_us": self.port.clock_us})
        on_state = more.pop("on_state", None)

        def kept(state: ConsoleState) -> None:
            self.states.append(state)
            if on_state is not None:
                on_state(self, state)

        self.hand = Stagehand(show, house, audience=self.pictures, on_state=kept, **more)
        self.pictures.on_stage = self.hand.stage

    def _sleep(self, seconds: float) -> None:
        self.clock_s += seconds

    def _come(self, _client: Client, plan: Plan) -> None:
        if not self.digits:
            return
        with self.port.line.standing_still() as world:
            telephones, line = telephones_of(world.hardware), world.unit.unit.line_at_port(plan.caller_port)
            if self.hangs_up:
                telephones.visit(line.name, self.digits, self.pps)
            else:
                telephones.lift(line.name, 1_000_000)

    def captions(self) -> list[str]:
        return list(dict.fromkeys(view["caption"].get("en", "") for view in self.views))


@pytest.fixture
def stages() -> Iterator[Callable[..., Stage]]:
    made: list[Stage] = []

    def make(*args: Any, **more: Any) -> Stage:
        made.append(Stage(*args, **more))
        return made[-1]

    yield make
    for stage in made:
        stage.hand.close()


def test_page_and_captions_follow_whoever_dials_and_the_dial_is_told(stages: Callable[..., Stage]) -> None:
    show = programme(FOLLOW)
    stage = stages(show, "399", 9, alone=True)
    stage.hand.start()
    assert stage.hand.wait(WAIT_S)
    ((part, result),) = stage.hand.results
    assert (part, result.status) == (0, Status.FINISHED)
    # The picture came from the line alone: hook, digits, shafts.
    scenes = [view["scene"] for view in stage.views if view["scene"]]
    assert max(scene["digits"] for scene in scenes) == "399"
    assert {1, 2, 3, 4, 10} <= {scene["stage"] for scene in scenes}
    assert not any(view["replay"] for view in stage.views)
    # How fast and how evenly is told, to people and to whoever presents.
    ((_, ran),) = stage.hand.dials
    assert ran.digits == "399"
    assert ran.speed is not None
    assert abs(ran.speed.value - 9) < 3 * ran.speed.u + 0.02
    assert any(caption.startswith("Your dial ran at 9.0 pulses a second") for caption in stage.captions())
    told = stage.views[-1]["caption"]
    assert set(told) == {"en", "de"}
    notices = [state["notice"] for state in stage.states if "A visitor dialled 399: 9.0" in state["notice"]]
    assert notices
    assert any(state["line"] == ["somebody is off the hook, and has dialled 39"] for state in stage.states)
    # Nothing of the board's moved, and the part ended by itself because they had hung up, not by its limit.
    assert not any(step.op in (m.OP_LOOP, m.OP_PULSES, m.OP_RINGING) for step in result.plan.timeline.steps)
    gate = next(each for each in result.observation.events if each.kind == m.EV_ENDED and each.value & 0xFFFF == 0)
    assert gate.value >> 16 == m.OPENED


def test_next_ends_it_while_the_handset_is_still_up_and_that_is_said(stages: Callable[..., Stage]) -> None:
    def on_state(stage: Stage, state: ConsoleState) -> None:
        if state["waiting"] and state["line"]:
            assert "Going on." in stage.hand.wish(Wish(Kind.NEXT)).text

    stage = stages(programme(FOLLOW + ANSWERED), "3", hangs_up=False, on_state=on_state)
    stage.hand.start()
    stage.hand.wish(Wish(Kind.NEXT))
    until(stage, lambda state: state["place"] == "2 of 2" and not state["running"])
    assert "The handset on line parlour is off its hook: its switches stay up." in stage.states[-1]["notice"]
    ((_, result),) = stage.hand.results
    assert result.status is Status.FINISHED
    # It was waited for, though a finder that takes the line opens it for a moment.
    times = [each.at_us for each in result.observation.events]
    assert times[-1] - times[0] > 30_000_000


def test_it_goes_on_by_itself_if_the_sheet_says_so(stages: Callable[..., Stage]) -> None:
    stage = stages(programme(FOLLOW + "    goes on by itself: yes\n" + ANSWERED), "39")
    stage.hand.start()
    stage.hand.wish(Wish(Kind.NEXT))
    until(stage, lambda state: state["place"] == "2 of 2" and not state["running"])
    assert [ran.digits for _, ran in stage.hand.dials] == ["39"]
    assert stage.hand.state().phase is Phase.READY


def test_it_stays_for_the_presenter_if_not(stages: Callable[..., Stage]) -> None:
    """Whoever has hung up may lift again: each time is told. At the limit it goes on."""
    stage = stages(programme(FOLLOW + ANSWERED), "39")
    stage.hand.start()
    stage.hand.wish(Wish(Kind.NEXT))
    until(stage, lambda state: state["place"] == "2 of 2" and not state["running"])
    ((_, result),) = stage.hand.results
    gate = next(each for each in result.observation.events if each.kind == m.EV_ENDED and each.value & 0xFFFF == 0)
    assert gate.value >> 16 == m.LIMIT
    assert len(stage.hand.dials) == 1


def test_nobody_comes(stages: Callable[..., Stage]) -> None:
    stage = stages(programme(FOLLOW), alone=True)
    stage.hand.start()
    assert stage.hand.wait(WAIT_S)
    assert stage.hand.dials == []
    assert stage.hand.results[0][1].status is Status.FINISHED


def test_stop_ends_it(stages: Callable[..., Stage]) -> None:
    def on_state(stage: Stage, state: ConsoleState) -> None:
        if state["waiting"]:
            stage.hand.wish(Wish(Kind.STOP))

    stage = stages(programme(FOLLOW + ANSWERED), on_state=on_state)
    stage.hand.start()
    stage.hand.wish(Wish(Kind.NEXT))
    until(stage, lambda state: state["place"] == "2 of 2" and not state["running"])
    assert stage.hand.results[0][1].status is Status.INTERRUPTED


def until(stage: Stage, found: Callable[[ConsoleState], bool]) -> None:
    """Wait until a state of the console is found."""
    for _ in range(WAIT_S * 50):
        if stage.states and found(stage.states[-1]):
            return
        stage.hand.wait(0.02)
    raise AssertionError(stage.states[-1])


# -- before it begins -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("calls", "said"),
    [
        ("  - follow: gallery\n", "has no line 'gallery' with a port of the board"),
        ("  - follow: nowhere\n", "Lines with a port:"),
        ("  - follow: parlour\n    at most: 5 min\n", "followed for 10 s to 120 s, found 300 s"),
        ("  - follow: parlour\n    at most: 2 s\n", "found 2 s"),
    ],
)
def test_what_cannot_be_followed_is_refused_when_the_sheet_is_opened(calls: str, said: str) -> None:
    with pytest.raises(DemoError) as caught:
        programme(calls)
    assert said in str(caught.value)
    assert "tried.yaml:6" in str(caught.value) or "tried.yaml:7" in str(caught.value)


def test_a_board_with_fewer_ports_cannot_follow() -> None:
    with pytest.raises(DemoError, match="has no line 'workshop' with a port"):
        programme("  - follow: workshop\n", ports=2)


def test_the_sheet_says_what_it_will_need_and_how_long_it_takes() -> None:
    show = programme(FOLLOW + ANSWERED)
    row = checkup.rows(show)[0]
    assert (row.follows, row.holds, row.rings) == ("parlour", 1, False)
    assert row.most_us == show.parts[0].plan.most_us > 60_000_000
    (note,) = [each for each in checkup.notes(show) if "followed" in each]
    assert "needs a real telephone on port 2" in note


def test_the_sheet_warns_from_half_of_the_hour_s_ringing_for_no_more_is_there_at_once() -> None:
    show = programme(ANSWERED)
    whole_us = sum(s.a for s in show.parts[0].plan.timeline.steps if s.op == m.OP_RINGING and s.x)
    assert not [each for each in checkup.notes(show, hour_us=2 * whole_us) if "at once after a rest" in each]
    (note,) = [each for each in checkup.notes(show, hour_us=2 * whole_us - 2) if "at once after a rest" in each]
    assert "a later call is not begun before enough of it is there again" in note
    # As a board of ours has it: 7 min 30 s of 15 min.
    many = programme(ANSWERED * (450_000_000 // whole_us + 1))
    assert any("more than the 7 min 30 s of ringing" in each for each in checkup.notes(many))


# -- what is shown again -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("cap", "most_s", "said"), [("60 s", 60, "1 min"), ("20 s", 20, "20 s")])
def test_a_call_is_shown_again_unfolded_and_never_longer_than_the_sheet_says(
    stages: Callable[..., Stage], cap: str, most_s: int, said: str
) -> None:
    show = programme(
        ANSWERED + "    repeat: [{unfold: first pulse, screen: wipers}]\n", head=HEAD + f"unfolded at most: {cap}\n"
    )
    took = show.takes(1)
    assert took.most_us == most_s * 1_000_000
    assert any(f"No replay takes more than {said}: the sheet's" in note for note in checkup.notes(show))
    stage = stages(show, alone=True)
    stage.hand.start()
    assert stage.hand.wait(WAIT_S)
    assert [part for part, _ in stage.hand.results] == [0]  # it was placed once
    shown = [view for view in stage.views if view["replay"]]
    assert {view["what"] for view in shown} == {"wipers"}
    assert stage.clock_s <= most_s + 0.001
    assert took.least_us / 1e6 <= stage.clock_s + 0.001
    apart = "And now as it really is: all at once." in stage.captions()
    # What has no room is given up: the unfolding first, then the pace, and the page says at which it is.
    assert apart == (most_s == 60)
    assert ({view["pace"] for view in shown} == {""}) == (most_s == 60)


def test_what_replaces_a_failed_call_is_read_and_capped_before_the_show() -> None:
    fails = f"    if it fails: {{replay: {RECORDED}, unfold: everything}}\n"
    mossbrook = CONFIGS / "units" / "mossbrook.yaml"
    paces: list[Fraction] = []
    for cap_s in (200, 45, 12):
        show = programme(ANSWERED + fails, unit=mossbrook, head=HEAD + f"unfolded at most: {cap_s} s\n")
        film = show.fallback(0)
        assert film is not None
        paces.append(film.replay.timeline.pace)
        assert film.total_us <= cap_s * 1_000_000
        (note,) = [each for each in checkup.notes(show) if "is shown instead" in each]
        assert (";" in note) == bool(film.replay.timeline.notes)
    assert paces[0] == 1 < 2 < paces[-1]


def test_a_record_of_another_unit_is_found_out_before_the_show() -> None:
    show = programme(ANSWERED + f"    if it fails: {{replay: {RECORDED}}}\n")
    with pytest.raises(DemoError, match="Mossbrook"):
        checkup.notes(show)
