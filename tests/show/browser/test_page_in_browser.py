"""The audience's page in a real browser: it shows the scene it is given, whole, at every step, at every size."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from playwright.sync_api import Page

from demo_ctl.show.hub import Hub, What, audience
from demo_ctl.show.model import STAGES, TONES, Happening, Party, Scene, Switch
from demo_ctl.show.scene import as_json
from demo_ctl.show.server import Serving, serve

SIZES = {"wall": (1920, 1080), "tablet": (1024, 768), "phone": (390, 844)}
Steps = list[tuple[dict[str, Any], dict[str, str]]]

# All that is read of a page, in one go, as soon as it shows what was published as `version`. A switch's wipers are
# measured on the screen.
READ = """version => new Promise((done) => {
  const all = (element) => element ? Object.fromEntries(Object.entries(element.dataset)) : {};
  const middle = (box) => ({ x: box.x + box.width / 2, y: box.y + box.height / 2 });
  const seen = (one) => {
    const box = (name) => one.querySelector(name).getBoundingClientRect();
    const dots = [...one.querySelectorAll(".dots")].map((row) => row.getBoundingClientRect());
    return {
      tip: middle(box(".tip")), collar: middle(box(".collar")), low: middle(dots[0]), high: middle(dots[9]),
      left: dots[0].x, right: dots[0].right, scale: one.getScreenCTM().a,
      known: [...one.querySelector(".bank").classList].filter((name) => name !== "bank").join(),
    };
  };
  const look = () => {
    if (!(Number(document.documentElement.dataset.version) >= version)) { setTimeout(look, 1); return; }
    const svg = document.getElementById("picture"), switches = [...svg.querySelectorAll(".switch")];
    done({
      scene: all(svg), caller: all(svg.querySelector(".phone.caller")), called: all(svg.querySelector(".phone.called")),
      switches: switches.map(all), seen: switches.map(seen), caption: document.getElementById("caption").textContent,
      digits: [...document.querySelectorAll("#digits li span:first-child")].map((each) => each.textContent).join(""),
    });
  };
  look();
})"""


@dataclass(frozen=True)
class Seen:
    """What one page shows: the scene read back from it, and what else was read."""

    scene: dict[str, Any]
    caption: str
    digits: str
    switches: list[dict[str, Any]]


@pytest.fixture(scope="module")
def hub() -> Hub:
    return Hub()


@pytest.fixture(scope="module")
def serving(hub: Hub) -> Iterator[Serving]:
    with serve(hub, port=0) as made:
        yield made


def shown(page: Page, version: int) -> Seen:
    """Wait until the page shows what was published as `version`, and read it."""
    read = page.evaluate(READ, version)
    values = read["scene"]
    whole = _back(Scene, values)
    last = {name[4].lower() + name[5:]: text for name, text in values.items() if name.startswith("last") and name[4:]}
    whole["caller"] = _back(Party, read["caller"])
    whole["called"] = _back(Party, read["called"])
    whole["switches"] = tuple(_back(Switch, each) for each in read["switches"])
    whole["last"] = _back(Happening, last) if last.get("number") else None
    return Seen(whole, read["caption"], read["digits"], read["seen"])


def _back(kind: type, values: dict[str, str]) -> dict[str, Any]:
    """Values from data-... attributes, as the fields of a type; what is not there is None."""
    made: dict[str, Any] = {}
    for field in fields(kind):
        first, *more = field.name.split("_")
        text = values.get(first + "".join(word.title() for word in more))
        if text is None:
            made[field.name] = None
        elif field.type == "int":
            made[field.name] = int(text) if text else None
        elif field.type == "bool":
            made[field.name] = {"true": True, "false": False}[text]
        elif field.type == "tuple[str, ...]":
            made[field.name] = tuple(text.split(",")) if text else ()
        else:
            made[field.name] = text
    return made


def everything(page: Page) -> Any:
    """Return all that there is in the page: elements, attributes, texts; not in which order attributes came."""
    return page.evaluate(
        """() => { const tell = (element) => [element.tagName,
             [...element.attributes].filter((each) => each.value !== "")
               .map((each) => each.name + "=" + each.value.split(" ").sort().join(" ")).sort(),
             [...element.childNodes].map((node) => node.nodeType === 1 ? tell(node) : node.data.trim())];
           return tell(document.body); }"""
    )


def wipers_are_right(scene: dict[str, Any], measured: list[dict[str, Any]]) -> None:
    for one, seen in zip(scene["switches"], measured, strict=True):
        pitch_y = (seen["low"]["y"] - seen["high"]["y"]) / 9
        if one["vertical"]:
            assert seen["collar"]["y"] == pytest.approx(seen["low"]["y"] - (one["vertical"] - 1) * pitch_y, abs=1)
        else:
            assert seen["collar"]["y"] > seen["low"]["y"] + pitch_y
        assert seen["tip"]["y"] == pytest.approx(seen["collar"]["y"], abs=1)
        pitch_x = 14 * seen["scale"]
        steps = one["rotary"] - 1
        x = seen["right"] - steps * pitch_x if one["kind"] == "finder" else seen["left"] + steps * pitch_x
        if one["rotary"]:
            assert seen["tip"]["x"] == pytest.approx(x, abs=0.35 * pitch_x)
        else:
            outside = seen["tip"]["x"] - seen["right"] if one["kind"] == "finder" else seen["left"] - seen["tip"]["x"]
            assert outside > 0.35 * pitch_x


@pytest.mark.parametrize(("name", "every"), [("wall", 1), ("tablet", 7), ("phone", 7)])
def test_a_whole_call(
    serving: Serving,
    hub: Hub,
    opened: Callable[..., Any],
    whole_call: Steps,
    tmp_path_factory: pytest.TempPathFactory,
    name: str,
    every: int,
) -> None:
    folder = tmp_path_factory.mktemp("pictures")
    looked: set[int] = set()  # stages whose picture was kept, to be looked at
    with opened(serving.url, *SIZES[name], reduced_motion="reduce") as page:
        for step, (scene, caption) in enumerate(whole_call):
            new = scene["stage"] not in looked
            if step % every and not new:
                continue
            seen = shown(page, hub.publish(audience(scene, caption)))
            assert seen.scene == scene
            assert seen.caption == caption["en"]
            assert seen.digits == scene["digits"]
            wipers_are_right(scene, seen.switches)
            if new:
                looked.add(scene["stage"])
                fits(page)
                page.screenshot(path=folder / f"{step:03}-{STAGES[scene['stage']]}-{name}.png")
    assert len(looked) == len(STAGES) - 1  # all but the tone of a call that cannot go on


@pytest.mark.parametrize("place", [200, -1])
def test_one_that_joins_late_sees_just_what_the_early_one_sees(
    serving: Serving, hub: Hub, opened: Callable[..., Any], whole_call: Steps, place: int
) -> None:
    with opened(serving.url, 1280, 800, reduced_motion="reduce") as early:
        for step in whole_call[: place + 1 or None][-30:]:
            version = hub.publish(audience(*step))
            shown(early, version)
        with opened(serving.url, 1280, 800, reduced_motion="reduce") as late:
            shown(late, version)
            assert everything(late) == everything(early)


FITS = """() => {
  const caption = document.getElementById("caption");
  const over = (text) => {
    const box = text.getBoundingClientRect();
    return text.textContent && (box.left < -1 || box.right > innerWidth + 1 || box.bottom > innerHeight);
  };
  return {
    width: document.documentElement.scrollWidth - innerWidth, height: document.body.scrollHeight - innerHeight,
    caption: caption.getBoundingClientRect().bottom - innerHeight,
    letters: parseFloat(getComputedStyle(caption).fontSize) / innerWidth,
    cut: [...document.querySelectorAll("#picture text")].filter(over).map((text) => text.textContent),
  };
}"""


def fits(page: Page) -> None:
    """Nothing stands over the edge, and captions are large."""
    size = page.evaluate(FITS)
    assert size["width"] <= 0
    assert size["height"] <= 0
    assert size["caption"] <= 0
    assert size["cut"] == []
    # At ten metres a capital letter wants about 25 mm; 0.7 of this, on a screen 1.2 m wide, is more.
    assert page.viewport_size
    if page.viewport_size["width"] == 1920:
        assert size["letters"] * 1200 * 0.7 > 20


NAMES = st.text(alphabet=st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=0, max_size=12)
RELAYS = ("A", "B", "C", "D", "F", "cut-through", "ringing")


def chosen(names: tuple[str, ...]) -> st.SearchStrategy[tuple[str, ...]]:
    return st.sets(st.sampled_from(names)).map(lambda some: tuple(name for name in names if name in some))


PARTIES = st.builds(
    Party,
    name=NAMES,
    port=st.integers(0, 4),
    off_hook=st.booleans(),
    loop=st.booleans(),
    open_contact=st.booleans(),
    digit=st.integers(0, 9),
    pulses=st.integers(0, 12),
    battery=st.integers(0, 2),
    tone=st.integers(0, len(TONES) - 1),
    ringing=st.booleans(),
    relays=chosen(("line relay", "cut-off relay")),
)
KNOWN = st.sampled_from(["sensed", "inferred", "simulated"])
SWITCHES = st.builds(
    Switch,
    part=NAMES,
    stage=st.integers(0, 7),
    kind=st.sampled_from(["finder", "selector", "connector"]),
    name=NAMES,
    vertical=st.integers(0, 10),
    rotary=st.integers(0, 11),
    magnet=st.sampled_from(["", "vertical", "rotary", "release"]),
    relays=chosen(RELAYS),
    known=KNOWN,
    serves=st.integers(0, 2),
)
SCENES = st.builds(
    Scene,
    number=st.integers(0, 10**6),
    at_us=st.integers(0, 2**50),
    stage=st.integers(0, len(STAGES) - 1),
    title=NAMES,
    dialled=NAMES,
    digits=st.text("0123456789", max_size=9),
    caller=PARTIES,
    called=PARTIES,
    switches=st.lists(SWITCHES, max_size=10).map(tuple),
    guard=st.integers(0, 7),
    last=st.none()
    | st.builds(
        Happening,
        number=st.integers(1, 10**6),
        at_us=st.integers(0, 2**50),
        part=NAMES,
        thing=NAMES,
        value=st.integers(-1, 11),
        known=KNOWN,
        cause=st.integers(0, 99),
        event=st.integers(-1, 99),
    ),
)


@pytest.fixture(scope="module")
def random_page(serving: Serving, opened: Callable[..., Any]) -> Iterator[Page]:
    with opened(serving.url, 1280, 800, reduced_motion="reduce") as page:
        yield page


# Without shrinking: a browser is too slow for that.
@settings(deadline=None, max_examples=50, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(
    st.lists(
        st.tuples(SCENES, st.fixed_dictionaries({}, optional={"en": NAMES, "de": NAMES, "fr": NAMES})),
        min_size=1,
        max_size=4,
    )
)
def test_the_page_shows_any_scene_whatever_came_before(
    random_page: Page, hub: Hub, steps: list[tuple[Scene, dict[str, str]]]
) -> None:
    for scene, caption in steps:
        version = hub.publish(audience(as_json(scene), caption))
        seen = shown(random_page, version)
        assert seen.scene == as_json(scene)
        wipers_are_right(seen.scene, seen.switches)
        assert [each["known"] for each in seen.switches] == [each.known for each in scene.switches]
        assert seen.digits == scene.digits
        texts = [text for text in (caption.get("en"), *caption.values()) if text]
        assert seen.caption == (texts[0] if texts else "")


def test_what_is_to_be_seen_can_be_chosen(
    serving: Serving, hub: Hub, opened: Callable[..., Any], whole_call: Steps
) -> None:
    scene, caption = whole_call[-60]
    with opened(serving.url, 1280, 800) as page:
        looks: list[tuple[What, int, int]] = [("everything", 2, 7), ("wipers", 0, 7), ("line", 2, 0)]
        for what, phones, switches in looks:
            shown(page, hub.publish(audience(scene, caption, what=what)))
            assert page.locator(".phone").count() == phones
            assert page.locator(".switch").count() == switches
            fits(page)
        shown(page, hub.publish(audience(scene, caption, blank=True)))
        assert not page.is_visible("#picture")
        assert not page.is_visible("#caption")
        assert not page.is_visible("#languages")
        shown(page, hub.publish(audience(None, {"en": "Welcome to Mossbrook."})))
        assert page.inner_text("#caption") == "Welcome to Mossbrook."
        assert page.locator(".phone").count() == 0
        shown(page, hub.publish(audience(scene, caption, replay=True, pace="1/4")))
        assert page.inner_text("#source") == "A recorded call · Pace 1/4"


def test_languages_by_keyboard_alone(serving: Serving, hub: Hub, opened: Callable[..., Any], whole_call: Steps) -> None:
    scene, caption = whole_call[5]
    with opened(serving.url, 1280, 800) as page:
        shown(page, hub.publish(audience(scene, caption, language="de")))
        assert page.inner_text("#caption") == caption["de"]
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.lang") == "en"
        for language in ("en", "de", "fr"):
            page.keyboard.press("Enter")
            assert page.get_attribute("html", "lang") == language
            assert page.get_attribute("#caption", "lang") == language
            assert page.inner_text("#caption") == caption[language]
            assert page.get_attribute(f"#languages [lang={language}]", "aria-pressed") == "true"
            page.keyboard.press("Tab")
        page.keyboard.press("l")
        assert page.get_attribute("html", "lang") == "en"
        # Its own choice stays, whatever the show's language is.
        shown(page, hub.publish(audience(scene, caption, language="fr")))
        assert page.inner_text("#caption") == caption["en"]
        # A caption in another language says so.
        shown(page, hub.publish(audience(scene, {"de": "Nur deutsch."})))
        assert page.get_attribute("#caption", "lang") == "de"
        # There is nothing on the page to come to but the languages.
        assert page.locator("button, a, input, select, [tabindex]").count() == 3


def test_a_screen_reader_is_told(serving: Serving, hub: Hub, opened: Callable[..., Any], whole_call: Steps) -> None:
    scene, caption = next(each for each in whole_call if each[0]["called"]["ringing"])
    with opened(serving.url + "?lang=en", 1280, 800) as page:
        shown(page, hub.publish(audience(scene, caption)))
        assert page.get_attribute("#caption", "aria-live") == "polite"
        assert page.get_attribute("#picture", "aria-label") == "Drawing of the call: Ringing"
        words = page.locator("#words li").all_text_contents()
        assert "Called parlour: receiver on, no current, battery: normal, rings" in words
        assert any(line.startswith("Connector: level 3, terminal 4") and "worked out" in line for line in words)
        assert page.locator("#legend li").all_inner_texts() == [
            "seen by the board",
            "worked out from it",
            "told by a simulation",
        ]


def test_kinds_of_knowledge_differ_in_line_shape_and_word(
    serving: Serving, hub: Hub, opened: Callable[..., Any], short_call: Steps
) -> None:
    scene, caption = short_call[-30]
    scene = {
        **scene,
        "switches": [
            {**each, "known": known}
            for each, known in zip(scene["switches"], ("sensed", "inferred", "simulated"), strict=True)
        ],
    }
    with opened(serving.url, 1280, 800) as page:
        shown(page, hub.publish(audience(scene, caption)))
        lines = page.evaluate(
            "[...document.querySelectorAll('.switch .arm')].map((each) => getComputedStyle(each).strokeDasharray)"
        )
        assert len(set(lines)) == 3
        wires = page.evaluate(
            "[...document.querySelectorAll('.wire.over')].slice(-4).map((each) => each.className.baseVal)"
        )
        # From the telephone through the finder, on through it, through the selector, through the connector.
        for wire, known in zip(wires, ("sensed", "sensed", "inferred", "simulated"), strict=True):
            assert {"sensed", "inferred", "simulated"} & set(wire.split()) == {known}
        badges = page.evaluate("[...document.querySelectorAll('.switch .badge')].map((each) => each.getAttribute('d'))")
        assert len({re.sub("[^a-zA-Z]", "", each) for each in badges}) == 3
        samples = page.evaluate(
            "[...document.querySelectorAll('#legend .arm')].map((each) => getComputedStyle(each).strokeDasharray)"
        )
        assert samples == lines


def test_less_motion_for_who_asks_for_less(
    serving: Serving, hub: Hub, opened: Callable[..., Any], whole_call: Steps
) -> None:
    scene, caption = next(each for each in whole_call if each[0]["called"]["ringing"])
    moving = """() => [...document.querySelectorAll("*")].filter((each) => { const style = getComputedStyle(each);
        return style.animationName !== "none" || style.transitionDuration.split(",").some((each) => parseFloat(each));
      }).length"""
    for wish, some in (("reduce", False), ("no-preference", True)):
        with opened(serving.url, 1280, 800, reduced_motion=wish) as page:
            shown(page, hub.publish(audience(scene, caption)))
            assert (page.evaluate(moving) > 0) is some


def test_no_barrier_is_found_on_the_page(
    serving: Serving,
    hub: Hub,
    opened: Callable[..., Any],
    whole_call: Steps,
    barriers: Callable[[Page], str],
) -> None:
    for size, place in (("wall", 0), ("tablet", len(whole_call) // 2), ("phone", len(whole_call) - 40)):
        with opened(serving.url, *SIZES[size]) as page:
            shown(page, hub.publish(audience(*whole_call[place])))
            assert barriers(page) == ""


def test_a_screen_survives_a_restart_of_the_server(opened: Callable[..., Any], whole_call: Steps) -> None:
    hub = Hub()
    first = serve(hub, port=0)
    try:
        for step in whole_call[:40]:
            version = hub.publish(audience(*step))
        with opened(first.url, 1280, 800) as page:
            shown(page, version)
            first.stop()
            # A new server numbers from 1 again: the page takes what it says all the same.
            hub = Hub()
            hub.publish(audience(*whole_call[100]))
            with serve(hub, port=first.port):
                page.wait_for_function(
                    "number => document.getElementById('picture').dataset.number === String(number)",
                    arg=whole_call[100][0]["number"],
                )
                assert page.inner_text("#lost") == ""
    finally:
        first.stop()
