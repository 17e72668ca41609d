"""The hub of newest values: nothing of the state is ever missing, whoever joins when, and nobody makes it wait."""

from __future__ import annotations

import json
import threading

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.show.hub import BEHIND, LARGEST, Hub, Update, audience


@settings(deadline=None)
@given(st.lists(st.one_of(st.just("publish"), st.integers(0, 3)), max_size=60))
def test_every_reader_goes_forward_and_ends_at_the_newest(steps: list[str | int]) -> None:
    hub = Hub()
    seen = [0, 0, 0, 0]
    published = 0
    for step in steps:
        if isinstance(step, str):
            published += 1
            assert hub.publish({"n": published}) == published
            continue
        update = hub.after(seen[step])
        if update is None:
            assert seen[step] == published
            continue
        assert update.version > seen[step]
        assert json.loads(update.data) == {"n": update.version}
        if seen[step] == 0 or published - seen[step] > BEHIND:
            assert update.version == published  # new, or too far behind: the newest at once
        else:
            assert update.version == seen[step] + 1  # otherwise it misses none
        seen[step] = update.version
    for reader in range(4):
        while (more := hub.after(seen[reader])) is not None:
            seen[reader] = more.version
        assert seen[reader] == published


def test_an_empty_hub_has_nothing_to_show() -> None:
    hub = Hub()
    assert hub.latest() is None
    assert hub.after(0) is None
    assert hub.after(7) is None


def test_a_number_from_the_future_gets_the_newest() -> None:
    # Kept from before a restart, or made up.
    hub = Hub()
    hub.publish({"n": 1})
    assert hub.after(99) == Update(1, b'{"n":1}')


@pytest.mark.parametrize("value", [{"a": "x" * LARGEST}, {"a": float("nan")}])
def test_what_no_screen_could_take_is_refused_and_changes_nothing(value: dict[str, object]) -> None:
    hub = Hub()
    with pytest.raises(ValueError, match=r"bytes|JSON"):
        hub.publish(value)
    assert hub.latest() is None


def test_publishing_from_many_threads_gives_each_value_a_number_of_its_own() -> None:
    hub = Hub()
    numbers: list[int] = []

    def publish() -> None:
        numbers.extend(hub.publish({"n": each}) for each in range(200))

    threads = [threading.Thread(target=publish) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(numbers) == list(range(1, 801))
    newest = hub.latest()
    assert newest is not None
    assert newest.version == 800


def test_who_listens_is_woken_and_who_left_is_not() -> None:
    hub = Hub()
    woken: list[str] = []

    def one() -> None:
        woken.append("one")

    def other() -> None:
        woken.append("other")

    hub.listen(one)
    hub.listen(other)
    hub.publish({})
    hub.forget(one)
    hub.forget(one)
    hub.publish({})
    assert woken == ["one", "other", "other"]


def test_each_hub_has_a_name_of_its_own() -> None:
    assert len({Hub().epoch for _ in range(50)}) == 50


def test_what_the_audience_is_given_is_json_and_whole() -> None:
    view = audience({"number": 3}, {"en": "Up."}, what="wipers", blank=True, language="fr", pulses=(1, 10))
    assert json.loads(json.dumps(view)) == {
        "scene": {"number": 3},
        "caption": {"en": "Up."},
        "what": "wipers",
        "blank": True,
        "language": "fr",
        "replay": False,
        "pace": "",
        "pulses": [1, 10],
        "only_recorded": False,
        "sound": "",
        "sound_us": 0,
    }
