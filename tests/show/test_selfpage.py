"""The page that plays by itself, as text: whole, bounded, and nothing in it can be taken for markup."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.show.selfpage import Frame, embedded, self_page
from demo_ctl.terms.errors import InputError

NASTY = "</script><script>alert(1)</script><!-- \u2028 @SCRIPT@ @CALL@ & ]]>"


def scene(number: int, pulses: int = 0, title: str = "A call") -> dict[str, Any]:
    return {
        "number": number,
        "title": title,
        "caller": {"name": "counter", "pulses": pulses},
        "called": {"name": "parlour"},
        "switches": [{"part": "selector", "vertical": pulses}, {"part": "connector", "vertical": 0}],
    }


def call_in(page: str) -> dict[str, Any]:
    found = re.search(r'<script type="application/json" id="call">(.*?)</script>', page, re.S)
    assert found
    read: dict[str, Any] = json.loads(found[1])
    return read


def played(call: dict[str, Any], track: str) -> list[tuple[int, dict[str, Any], dict[str, str]]]:
    """What the page shows, as it unpacks it."""
    part = call["parts"]
    frames = []
    for at_us, number, caption in call[track]:
        packed = call["scenes"][number]
        whole = {
            **packed,
            "caller": part[packed["caller"]],
            "called": part[packed["called"]],
            "switches": [part[each] for each in packed["switches"]],
        }
        frames.append((at_us, whole, call["captions"][caption]))
    return frames


@settings(deadline=None, max_examples=30)
@given(
    st.lists(st.tuples(st.integers(0, 10**9), st.integers(0, 10), st.text(max_size=20)), min_size=1, max_size=20),
    st.lists(st.tuples(st.integers(0, 10**9), st.integers(0, 10), st.text(max_size=20)), max_size=20),
)
def test_what_is_put_in_is_what_is_played(plain: list[tuple[int, int, str]], other: list[tuple[int, int, str]]) -> None:
    def frames(of: list[tuple[int, int, str]]) -> list[Frame]:
        return [
            (at, scene(n, pulses), {"en": text, "de": text[::-1]}) for n, (at, pulses, text) in enumerate(sorted(of))
        ]

    page = self_page(frames(plain), "A call", unfolded=frames(other) if other else None)
    assert played(call_in(page), "frames") == frames(plain)
    if other:
        assert played(call_in(page), "unfolded") == frames(other)


@settings(deadline=None)
@given(st.text() | st.just(NASTY))
def test_embedded_json_ends_no_script_and_says_the_same(text: str) -> None:
    made = embedded({text: [text]})
    assert json.loads(made) == {text: [text]}
    assert not set("<>&\u2028\u2029") & set(made)


def test_words_of_a_call_stay_words() -> None:
    page = self_page([(0, scene(1, title=NASTY), {"en": NASTY})], NASTY)
    assert page.count("<script") == 2
    assert page.count("</script>") == 2
    call = call_in(page)
    assert call["captions"] == [{"en": NASTY}]
    assert call["scenes"][0]["title"] == NASTY
    assert "<title>&lt;/script&gt;" in page


def test_the_page_allows_only_its_own_script_and_style() -> None:
    page = self_page([(0, scene(1), {"en": "Up."})], "A call")
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)
    assert policy
    script = page.rsplit("<script>", 1)[1].split("</script>")[0]
    style = page.split("<style>", 1)[1].split("</style>")[0]
    for text, name in ((script, "script-src"), (style, "style-src")):
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{name} 'sha256-{digest}'" in policy[1]
    assert "default-src 'none'" in policy[1]
    without = page.replace("http://www.w3.org/2000/svg", "")
    assert not re.search(r"https?:|src=|href=|@import|url\(", without)


def test_what_does_not_change_is_in_the_page_once() -> None:
    frames = [(n * 1000, scene(n, 3), {"en": "The same."}) for n in range(500)]
    call = call_in(self_page(frames, "A call", unfolded=frames))
    assert len(call["parts"]) == 4
    assert len(call["captions"]) == 1
    assert len(call["scenes"]) == 500  # the unfolded call has the same scenes


def test_only_the_languages_asked_for_are_kept() -> None:
    page = self_page([(0, scene(1), {"en": "Up.", "de": "Hoch.", "fr": "Haut."})], "A call", ("fr", "en"))
    call = call_in(page)
    assert call["language"] == "fr"
    assert call["captions"] == [{"fr": "Haut.", "en": "Up."}]


def test_a_page_that_would_be_too_large_is_refused_with_what_to_do() -> None:
    frames = [(n, scene(n, n), {"en": f"Caption {n}"}) for n in range(2000)]
    assert len(self_page(frames, "A call").encode()) > 200_000
    with pytest.raises(InputError, match="200000 are allowed") as caught:
        self_page(frames, "A call", largest=200_000)
    assert "Unfold less" in caught.value.next_step


@pytest.mark.parametrize(
    ("frames", "options"),
    [
        ([], {}),
        ([(5, scene(1), {}), (4, scene(2), {})], {}),
        ([(-1, scene(1), {})], {}),
        ([(0, scene(1), {})], {"languages": ()}),
        ([(0, scene(1), {})], {"languages": ("en", "tlh")}),
        ([(0, scene(1), {})], {"pace": "3"}),
        ([(0, scene(1), {})], {"unfolded": []}),
    ],
)
def test_what_makes_no_page_is_refused(frames: list[Frame], options: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"frame|expected"):
        self_page(frames, "A call", **options)
