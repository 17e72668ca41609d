"""YAML to values with lines: whatever the bytes, a value or one kind of error that names file and line."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, Literal

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pydantic import Field

from demo_ctl.terms import located
from demo_ctl.terms.errors import InputError, Place
from demo_ctl.terms.located import FileError, Findings, Located, decode, parse_model, read_text, read_yaml
from demo_ctl.terms.quantity import TimeUs
from demo_ctl.terms.strict import Frozen


class Shelf(Frozen):
    height_us: TimeUs = Field(alias="how high")
    books: tuple[str, ...] = ()


class Room(Frozen):
    format: Literal["room 1"]
    wall_colour: Literal["white", "green"] = "white"
    doors: int = Field(default=1, ge=0, le=4)
    shelves: dict[str, Shelf] = Field(default={})


GOOD = """\
format: room 1
wall colour: green
doors: 2
shelves:
  on: { how high: 2 s }
  0123:
    how high: 600 ms
    books:
      - one
      - "two"
      - 1:30
"""


def room(text: str) -> Located[Room]:
    return parse_model(text, "room.yaml", Room, kind="room")


def problems(text: str) -> list[tuple[int, str]]:
    with pytest.raises(FileError) as caught:
        room(text)
    assert all(problem.place.file == "room.yaml" for problem in caught.value.problems)
    return [(problem.place.line, problem.text) for problem in caught.value.problems]


def test_texts_stay_as_they_are_written() -> None:
    value = room(GOOD).value
    assert list(value.shelves) == ["on", "0123"]
    assert value.shelves["0123"].books == ("one", "two", "1:30")
    assert value.doors == 2


def test_every_part_knows_its_line() -> None:
    found = room(GOOD)
    assert found.place() == Place("room.yaml", 1)
    assert found.place("wall colour").line == 2
    assert found.place("wall_colour").line == 2  # a field's own name will do
    assert found.place("shelves", "on", "how high").line == 5
    assert found.place("shelves", "0123", "books", 2).line == 11


def test_what_is_not_written_is_placed_in_what_encloses_it() -> None:
    found = room(GOOD)
    assert found.place("shelves", "on", "books", 4).line == 5
    assert found.place("ceiling").line == 1


def test_nothing_can_be_changed_after_loading() -> None:
    found = room(GOOD)
    with pytest.raises(TypeError):
        found.lines[()] = 3  # type: ignore[index]
    with pytest.raises(AttributeError):
        found.file = "other"  # type: ignore[misc]


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        ("doors: 2", "doors: two", 3, r"found 'two', expected a whole number"),
        ("doors: 2", "doors: 1e999", 3, r"found '1e999', expected a whole number"),
        ("doors: 2", "doors: " + "9" * 5000, 3, r"expected a whole number of sensible size"),
        ("doors: 2", "doors: 1:30", 3, r"found '1:30', expected a whole number"),
        ("doors: 2", "doors: 5", 3, r"found '5', expected at most 4"),
        ("doors: 2", "doors: -1", 3, r"found '-1', expected at least 0"),
        ("doors: 2", "doors:", 3, r"found nothing, expected a whole number"),
        ("doors: 2", "doors: [1]", 3, r"found a list, expected a whole number"),
        ("doors: 2", "dors: 2", 3, r"unknown key 'dors'; did you mean 'doors'\?"),
        ("doors: 2", "xyzzy: 2", 3, r"unknown key 'xyzzy'; expected one of: doors, format, shelves, wall colour"),
        ("doors: 2", "doors: 2\ndoors: 3", 4, r"'doors' stands here a second time \(first in line 3\)"),
        ("green", "gren", 2, r"found 'gren', expected 'white' or 'green'; did you mean 'green'\?"),
        ("600 ms", "600", 7, r"expected a time with its unit, such as '600 ms', found '600'"),
        ("600 ms", "600 m", 7, r"'m' is not a unit of time"),
        ("    how high: 600 ms\n", "", 6, r"'how high' is missing here"),
        ("how high: 600 ms", "height_us: 600 ms", 7, r"unknown key 'height_us'"),
        ("- one", "- {a: b}", 9, r"found a group of keys, expected text"),
        ("- one", "- &x one", 9, r"anchors"),
        ("- one", "- *x", 9, r"aliases"),
        ("- one", "- !!str one", 9, r"tags"),
        ("- one", "- !secret one", 9, r"tags"),
        ("- one", "\t- one", 9, r"a tab in the indentation"),
        ("- one", "- one\n---", 10, r"not readable as YAML|second document"),
        ("- one", '- "\\e[31m"', 9, r"a character that does not belong in a text \(U\+001B\)"),
        ("- one", '- "\\ud800"', 9, r"character|escape"),
        ("- one", "- " + "[" * 30, 9, r"nested deeper than 20 levels"),
        ("- one", "- {? [a] : b}", 9, r"a key is expected to be a plain word"),
        ("- one", '- "": b', 9, r"a key is expected before the colon, found nothing"),
        ("doors: 2", "<<: {doors: 2}", 3, r"unknown key '<<'"),
        ("format: room 1", "format: room 2", 1, r"found 'room 2', expected 'room 1', which says that this is a room"),
        ("format: room 1", "formt: room 1", 1, r"found no such line.*did you mean 'formt'"),
    ],
)
def test_a_mistake_is_said_with_its_line(old: str, new: str, line: int, said: str) -> None:
    assert old in GOOD
    found = problems(GOOD.replace(old, new, 1))
    assert any(at == line and re.search(said, text) for at, text in found), found


def test_several_mistakes_are_told_together_in_the_order_of_the_file() -> None:
    found = problems(GOOD.replace("doors: 2", "doors: x").replace("green", "red").replace("600 ms", "6"))
    assert [line for line, _ in found] == [2, 3, 7]


def test_no_more_than_ten_mistakes_are_told_but_the_others_are_counted() -> None:
    keys = "".join(f"unheard{n}: 1\n" for n in range(14))
    with pytest.raises(FileError) as caught:
        room(GOOD + keys)
    assert len(caught.value.problems) == 10
    assert "and 4 more" in str(caught.value)
    assert str(caught.value).startswith("room.yaml:12: ")


@pytest.mark.parametrize(
    ("data", "line", "said"),
    [
        (b"format: room 1\nx: \xff\n", 2, "not UTF-8 text (byte 0xFF)"),
        (b"format: room 1\n\n\0\n", 3, "U+0000"),
        ("format: room 1".encode("utf-16"), 1, "not UTF-8 text"),
        (b"format: room 1\nx: \x1b[2J\n", 2, "U+001B"),
    ],
)
def test_what_is_no_text_is_refused_where_it_begins(data: bytes, line: int, said: str) -> None:
    with pytest.raises(InputError) as caught:
        decode(data, "room.yaml")
    assert caught.value.where == Place("room.yaml", line)
    assert said in str(caught.value)


def test_a_byte_order_mark_does_no_harm() -> None:
    assert room(decode(b"\xef\xbb\xbf" + GOOD.encode(), "room.yaml")).value == room(GOOD).value


@pytest.mark.parametrize("text", ["", "\n\n", "# only a remark\n", "~", "just words", "- a\n- list\n", "[]", "'x'"])
def test_what_is_no_group_of_keys_is_refused(text: str) -> None:
    ((line, said),) = problems(text)
    assert line >= 1
    assert "expected a room (keys and values)" in said


def test_expansions_cannot_grow() -> None:
    bomb = "a: &a [x, x, x, x, x, x, x, x]\n" + "".join(
        f"{chr(98 + n)}: &{chr(98 + n)} [{', '.join(['*' + chr(97 + n)] * 9)}]\n" for n in range(9)
    )
    assert problems(bomb)[0][0] == 1


def test_size_is_bounded(tmp_path: Path) -> None:
    path = tmp_path / "large.yaml"
    path.write_bytes(b"#" * (located.LARGEST_BYTES + 1))
    with pytest.raises(InputError, match="larger than 256 KiB"):
        read_text(path)


@pytest.mark.parametrize("text", ["[" * 200_000, "{" * 200_000, "- " * 100_000, "a: " * 80_000, "? " * 100_000])
def test_nesting_is_bounded(text: str) -> None:
    with pytest.raises(FileError):
        room(text)


def test_entries_are_bounded() -> None:
    (found,) = problems("[" + "x," * 100_000 + "]")
    assert "more than 20000 entries" in found[1]


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    for path, said in (
        (tmp_path / "missing.yaml", "no such file"),
        (tmp_path, "folder"),
        (tmp_path / "nul\0.yaml", "cannot be read"),
    ):
        with pytest.raises(InputError, match=said):
            read_text(path)


def test_findings_are_raised_together() -> None:
    found = room(GOOD)
    findings = Findings(found)
    findings.raise_any()
    findings.add("the second", "shelves", "on")
    findings.add("the first", "doors")
    with pytest.raises(FileError) as caught:
        findings.raise_any("Mend both.")
    assert str(caught.value) == "room.yaml:3: the first\nroom.yaml:5: the second\n  Mend both."


# Laws.

_loaders = [yaml.SafeLoader] + ([yaml.CSafeLoader] if hasattr(yaml, "CSafeLoader") else [])


def holds(data: bytes) -> None:
    """Either a value or an InputError that names the file and a line in it."""
    rows = data.count(b"\n") + data.count(b"\r") + 1 + data.count(b"\x85") + data.count(b"\xa8") + data.count(b"\xa9")
    try:
        room(decode(data, "room.yaml"))
    except FileError as caught:
        error = caught
    else:
        return
    for problem in error.problems:
        assert problem.place.file == "room.yaml"
        assert 1 <= problem.place.line <= rows
    assert str(error).encode().startswith(b"room.yaml:")  # can be printed


@pytest.mark.parametrize("loader", _loaders)
@given(data=st.binary(max_size=300))
@example(data=b'a: "\\UFFFFFFFF"')
@example(data=b"%YAML 9.9\n---\na: b")
@example(data=b"--- |\x0b")
@settings(deadline=None, max_examples=150)
def test_any_bytes(loader: Any, data: bytes) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(located, "_LOADER", loader)
        holds(data)


YAMLISH = st.sampled_from(
    [*"abz019 :-?[]{},#&*!|>'\"%@`\n\n\n\t~<=.\\\r\u0085\u2028", "  ", "- ", ": ", "format: room 1\n", "\\U0011"]
)


@pytest.mark.parametrize("loader", _loaders)
@given(pieces=st.lists(YAMLISH, max_size=60))
@example(pieces=["-", "-", "-"])
@settings(deadline=None, max_examples=300)
def test_any_text_that_looks_like_yaml(loader: Any, pieces: list[str]) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(located, "_LOADER", loader)
        holds("".join(pieces).encode())


KEYS = st.text(st.characters(categories=("Ll", "Lu", "Nd"), max_codepoint=0x17F), min_size=1, max_size=8)
TREES = st.recursive(
    st.text(st.characters(categories=("Ll", "Lu", "Nd", "Zs", "Po")), max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=12,
)


@given(tree=TREES)
@settings(deadline=None, max_examples=200)
def test_what_is_written_is_read_back_and_every_part_has_a_line(tree: Any) -> None:
    """Law: texts written by the library, quoted, come back the same; every path has the line it stands in."""
    text = yaml.safe_dump(tree, default_style='"', allow_unicode=True, width=10_000)
    data, lines = read_yaml(text, "tree.yaml")
    assert data == tree
    rows = text.split("\n")

    def walk(node: Any, path: tuple[str | int, ...]) -> None:
        assert 1 <= lines[path] <= len(rows)
        if isinstance(node, dict):
            for key, value in node.items():
                assert str(key) in rows[lines[(*path, key)] - 1]
                walk(value, (*path, key))
        elif isinstance(node, list):
            for index, value in enumerate(node):
                walk(value, (*path, index))

    walk(data, ())
