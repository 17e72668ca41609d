"""YAML files that people write: read safely, checked, and every part traceable to its line.

How it works: the YAML parser's events (never its objects) are built into plain data here, so that tags, anchors,
nesting, size and duplicate keys are all ours to refuse. Every scalar stays text exactly as written, except an
empty one (or `null`, `~`), which is None: so `on:` stays the key "on", `0123` keeps its zero, and `1:30` is not
ninety seconds. pydantic then turns text into numbers and quantities where a model asks for them.

Whatever the bytes are, the outcome is a value or an InputError that says file, line, what was found and what was
expected. Several mistakes are reported together.
"""

from __future__ import annotations

import difflib
import re
import types
import typing
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

import yaml
from pydantic import BaseModel, ValidationError

from demo_ctl.terms.errors import InputError, Place
from demo_ctl.terms.plain_file import open_plain

LARGEST_BYTES = 256 * 1024
DEEPEST = 20
MOST_NODES = 20_000
MOST_PROBLEMS = 10

PathKey = str | int
KeyPath = tuple[PathKey, ...]
T = TypeVar("T")
Model = TypeVar("Model", bound=BaseModel)

_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
#: Control characters, lone surrogates and non-characters: nothing a person means, and bad for terminals.
_BAD_CHARACTER = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ud800-\udfff\ufffe\uffff]")
_NULL = {"", "~", "null", "Null", "NULL"}


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong, and where."""

    place: Place
    text: str


class FileError(InputError):
    """All that is wrong with one file; `problems` is in the order of the file's lines."""

    def __init__(self, problems: Iterable[Problem], *, more: int = 0, next_step: str = "") -> None:
        self.problems = tuple(problems)
        first, *others = self.problems
        what = "\n".join([first.text, *(f"{p.place}: {p.text}" for p in others)])
        if more:
            what += f"\n... and {more} more"
        super().__init__(what, where=first.place, next_step=next_step)


@dataclass(frozen=True)
class Located(Generic[T]):
    """A value read from a file, and the line of every part of it."""

    value: T
    file: str
    lines: Mapping[KeyPath, int]

    def place(self, *path: PathKey) -> Place:
        """Return where `path` (keys as in the file, list indices from 0) is written.

        The nearest enclosing part if it is not written at all.
        """
        return _place(self.file, self.lines, path)


def _place(file: str, lines: Mapping[KeyPath, int], path: KeyPath) -> Place:
    wanted = tuple(part.replace("_", " ") if isinstance(part, str) else part for part in path)
    for end in range(len(path), -1, -1):
        for candidate in (path[:end], wanted[:end]):
            if candidate in lines:
                return Place(file, lines[candidate])
    return Place(file)


class Findings:
    """Collects problems found by cross-checks, then raises them together."""

    def __init__(self, located: Located[Any]) -> None:
        self._located = located
        self._found: list[Problem] = []

    def add(self, text: str, *path: PathKey) -> None:
        """Note that something is wrong at `path`."""
        self._found.append(Problem(self._located.place(*path), text))

    def __bool__(self) -> bool:
        return bool(self._found)

    def raise_any(self, next_step: str = "") -> None:
        """Raise FileError if anything was noted."""
        if self._found:
            raise _error(self._found, next_step)


def _error(problems: list[Problem], next_step: str = "") -> FileError:
    unique = sorted(dict.fromkeys(problems), key=lambda problem: problem.place.line)
    return FileError(unique[:MOST_PROBLEMS], more=max(0, len(unique) - MOST_PROBLEMS), next_step=next_step)


def _one(file: str, line: int, text: str, next_step: str = "") -> FileError:
    return FileError([Problem(Place(file, line), text)], next_step=next_step)


def plain(text: str) -> str:
    """Return a text on one line, without what is nothing a person means, such as codes that move a cursor."""
    return _BAD_CHARACTER.sub("\N{REPLACEMENT CHARACTER}", " ".join(text.split()))


def shown(value: object) -> str:
    """Return `value` as found in a file, short enough for a message."""
    if value is None:
        return "nothing"
    if isinstance(value, (dict, BaseModel)):
        return "a group of keys"
    if isinstance(value, (list, tuple)):
        return "a list"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def did_you_mean(word: object, known: Iterable[str]) -> str:
    """Return `; did you mean 'x'?` when one of `known` is near, else an empty text."""
    near = difflib.get_close_matches(str(word)[:60], list(known), n=1, cutoff=0.6)
    return f"; did you mean '{near[0]}'?" if near else ""


def listed(words: Iterable[str]) -> str:
    """Return `'a', 'b' or 'c'`."""
    quoted = [f"'{word}'" for word in words]
    return " or ".join([", ".join(quoted[:-1]), quoted[-1]] if len(quoted) > 1 else quoted)


# Text to data with lines.


def read_text(path: str | Path) -> str:
    """Read a file of at most 256 KiB as UTF-8 text. Raises InputError for people."""
    file = str(path)
    try:
        with open_plain(path) as stream:
            data = stream.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise InputError("there is no such file", where=Place(file)) from None
    except IsADirectoryError:
        raise InputError("this is a folder, a file is wanted", where=Place(file)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"cannot be read: {reason}", where=Place(file)) from None
    return decode(data, file)


def decode(data: bytes, file: str) -> str:
    """Return `data` as text, or raise InputError with the line where it stops being UTF-8 text."""
    if len(data) > LARGEST_BYTES:
        raise InputError(f"larger than {LARGEST_BYTES // 1024} KiB; no file of ours is", where=Place(file))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        hint = "Save it as UTF-8 (most editors: Save as, encoding UTF-8)."
        raise _one(file, line, f"not UTF-8 text (byte 0x{data[error.start]:02X})", hint) from None
    bad = _BAD_CHARACTER.search(text)
    if bad:
        line = text.count("\n", 0, bad.start()) + 1
        raise _one(file, line, f"a character that does not belong in a text file (U+{ord(bad[0]):04X})")
    return text


def read_yaml(text: str, file: str) -> tuple[Any, dict[KeyPath, int]]:
    """Read one YAML document; return its data (dict, list, str, None) and the line of every path.

    Raises FileError for anything that is not plain YAML: tags, anchors, aliases, duplicate keys, several
    documents, or nesting deeper than 20.
    """
    lines: dict[KeyPath, int] = {(): 1}
    builder = _Builder(file, lines, rows=len(text.splitlines()) or 1)
    try:
        data = builder.build(yaml.parse(text, Loader=_LOADER))
    except yaml.YAMLError as error:
        raise _yaml_error(error, text, file) from None
    except (ValueError, OverflowError, RecursionError, IndexError) as error:
        # Escapes such as "\UFFFFFFFF" make the parser itself stumble.
        raise _one(file, builder.line, f"not readable as YAML, from here on: {error}") from None
    return data, lines


def _yaml_error(error: yaml.YAMLError, text: str, file: str) -> FileError:
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    position = getattr(error, "position", None)
    rows = text.splitlines() or [""]
    if mark is not None:
        line = min(mark.line + 1, len(rows))
    elif isinstance(position, int):
        line = text.count("\n", 0, position) + 1
    else:
        line = 1
    problem = str(getattr(error, "problem", None) or getattr(error, "reason", None) or error)
    row = rows[line - 1] if 0 < line <= len(rows) else ""
    if "\t" in row[: len(row) - len(row.lstrip())]:
        return _one(file, line, "a tab in the indentation", "YAML is indented with spaces only.")
    context = getattr(error, "context", None)
    where = getattr(error, "context_mark", None)
    began = f" ({context}, which began in line {where.line + 1})" if context and where else ""
    return _one(file, line, f"not readable as YAML: {problem}{began}", "Look at colons, quotes and indentation here.")


@dataclass
class _Open:
    """A mapping or list being filled. key: the mapping's key whose value comes next."""

    path: KeyPath
    line: int
    value: dict[str, Any] | list[Any]
    key: str | None = None


class _Builder:
    """Events to data, with a stack of its own: no recursion, whatever the nesting."""

    def __init__(self, file: str, lines: dict[KeyPath, int], rows: int) -> None:
        self.file = file
        self.lines = lines
        self.rows = rows
        self.stack: list[_Open] = []
        self.documents = 0
        self.nodes = 0
        #: Line of the newest event.
        self.line = 1
        self.result: Any = None

    def build(self, events: Iterable[Any]) -> Any:
        for event in events:
            # Of "---" and nothing more, one of the two parsers says that the nothing begins in the line after.
            line = self.line = min(event.start_mark.line + 1, self.rows)
            if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None) is not None:
                raise self.wrong(line, "anchors (&) and aliases (*) are not used in these files; write it out")
            if getattr(event, "tag", None) is not None:
                raise self.wrong(line, f"tags ({shown(event.tag)}) are not used in these files")
            if isinstance(event, yaml.DocumentStartEvent):
                self.documents += 1
                if self.documents > 1:
                    raise self.wrong(line, "a second document begins (---); one is expected")
            elif isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent)):
                self.start(event, line)
            elif isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
                self.stack.pop()
            elif isinstance(event, yaml.ScalarEvent):
                self.scalar(event, line)
        return self.result

    def wrong(self, line: int, text: str, next_step: str = "") -> FileError:
        return _one(self.file, line, text, next_step)

    def start(self, event: Any, line: int) -> None:
        top = self.stack[-1] if self.stack else None
        if top is not None and isinstance(top.value, dict) and top.key is None:
            raise self.wrong(line, "a key is expected to be a plain word, found a list or a group of keys")
        if len(self.stack) >= DEEPEST:
            raise self.wrong(line, f"nested deeper than {DEEPEST} levels")
        value: dict[str, Any] | list[Any] = {} if isinstance(event, yaml.MappingStartEvent) else []
        path = self.put(value, line)
        self.stack.append(_Open(path, self.lines[path], value))

    def scalar(self, event: Any, line: int) -> None:
        text: str = event.value
        bad = _BAD_CHARACTER.search(text)
        if bad:
            raise self.wrong(line, f"a character that does not belong in a text (U+{ord(bad[0]):04X})")
        top = self.stack[-1] if self.stack else None
        if top is not None and isinstance(top.value, dict) and top.key is None:
            if text == "":
                raise self.wrong(line, "a key is expected before the colon, found nothing")
            if len(text) > 100 or "\n" in text:
                raise self.wrong(line, "a key is expected to be a few words on one line")
            if text in top.value:
                first = self.lines[(*top.path, text)]
                raise self.wrong(
                    line,
                    f"the key {shown(text)} stands here a second time (first in line {first})",
                    "Keep one of the two.",
                )
            top.key = text
            self.lines[(*top.path, text)] = line
            return
        plain = event.style in (None, "")
        self.put(None if plain and text in _NULL else text, line)

    def put(self, value: Any, line: int) -> KeyPath:
        """Hang a value under the open mapping or list; return its path."""
        self.nodes += 1
        if self.nodes > MOST_NODES:
            raise self.wrong(line, f"more than {MOST_NODES} entries; no file of ours has as many")
        if not self.stack:
            self.result = value
            self.lines[()] = line
            return ()
        top = self.stack[-1]
        if isinstance(top.value, list):
            path = (*top.path, len(top.value))
            top.value.append(value)
            self.lines[path] = line
        else:
            assert top.key is not None
            path = (*top.path, top.key)
            top.value[top.key] = value
            top.key = None
        return path


# Data to models.


def parse_model(text: str, file: str, model: type[Model], *, kind: str) -> Located[Model]:
    """Check YAML text against `model`. Raises FileError with every problem's line."""
    data, lines = read_yaml(text, file)
    if not isinstance(data, dict):
        found = "an empty file" if data is None else shown(data)
        raise _one(file, lines.get((), 0), f"expected a {kind} (keys and values), found {found}")
    _check_format(data, lines, file, model, kind)
    try:
        value = model.model_validate(data)
    except ValidationError as error:
        raise _error([_problem(found, data, model, file, lines) for found in _first_causes(error)]) from None
    except RecursionError:
        raise _one(file, 1, "nested too deeply") from None
    return Located(value, file, types.MappingProxyType(lines))


def _first_causes(error: ValidationError) -> list[Any]:
    """Leave out that a list is too short where that is only so because of an entry that is wrong itself."""
    found: list[Any] = list(error.errors())
    wrong = {loc[:end] for one in found for loc in [one["loc"]] for end in range(len(loc))}
    return [one for one in found if one["type"] != "too_short" or one["loc"] not in wrong]


def _check_format(data: dict[str, Any], lines: Mapping[KeyPath, int], file: str, model: type[Model], kind: str) -> None:
    """Refuse another kind of file before all its keys are found unknown."""
    field = model.model_fields.get("format")
    wanted = typing.get_args(field.annotation) if field is not None else ()
    if not wanted or data.get("format") in wanted:
        return
    where = _place(file, lines, ("format",))
    found = shown(data["format"]) if "format" in data else "no such line"
    article = "an" if kind[:1] in "aeiou" else "a"
    text = f"format: found {found}, expected {listed(wanted)}, which says that this is {article} {kind}"
    near = did_you_mean("format", [key for key in data if key not in _fields(model)]) if "format" not in data else ""
    raise FileError([Problem(where, text + near)], next_step="Is it the right file?")


def _problem(found: Any, data: Any, model: type[BaseModel], file: str, lines: Mapping[KeyPath, int]) -> Problem:
    path, models = _walk(found["loc"], data, model)
    return Problem(_place(file, lines, path), _words(found, path, models))


def _choices(annotation: Any) -> list[Any]:
    """Return the types an annotation allows, None left out."""
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        return _choices(typing.get_args(annotation)[0])
    if origin in (typing.Union, types.UnionType):
        return [choice for arg in typing.get_args(annotation) for choice in _choices(arg)]
    return [] if annotation is type(None) else [annotation]


def _is_model(choice: Any) -> bool:
    return isinstance(choice, type) and issubclass(choice, BaseModel)


def _fields(model: type[BaseModel]) -> dict[str, Any]:
    return {field.alias or name: field.annotation for name, field in model.model_fields.items()}


def _tagged(model: type[BaseModel], tag: object) -> bool:
    """Whether `tag`, pydantic's name for one choice of a union, means this model."""
    fields = _fields(model)
    return tag == model.__name__ or tag in fields or tag in typing.get_args(fields.get("kind"))


def _walk(loc: Iterable[PathKey], data: Any, model: type[BaseModel]) -> tuple[KeyPath, list[type[BaseModel]]]:
    """Follow pydantic's location through the file's data.

    Returns the path in the file (pydantic's names of union choices left out) and the models whose keys may stand
    in the group that the location's last part belongs to.
    """
    path: list[PathKey] = []
    choices: list[Any] = [model]
    owners: list[type[BaseModel]] = [model]
    for part in loc:
        models = [choice for choice in choices if _is_model(choice)]
        if len(choices) > 1:
            # After a union pydantic names the choice it tried.
            chosen = [choice for choice in models if _tagged(choice, part)]
            if chosen:
                choices = chosen
                owners = chosen
                continue
        keyed = isinstance(data, dict) and part in data
        if keyed or (isinstance(data, list) and isinstance(part, int) and part < len(data)):
            data = data[part]
        else:
            owners = models or owners
            if models and any(part in _fields(choice) for choice in models):
                path.append(part)  # a missing key
            break
        path.append(part)
        owners = models or owners
        following: list[Any] = []
        for choice in choices:
            if _is_model(choice):
                following += _choices(_fields(choice).get(str(part)))
            else:
                arguments = typing.get_args(choice)
                following += _choices(arguments[-1 if typing.get_origin(choice) is dict else 0]) if arguments else []
        choices = following
    return tuple(path), owners


_EXPECTED = {
    "string_type": "text",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_parsing_size": "a whole number of sensible size",
    "int_from_float": "a whole number",
    "tuple_type": "a list",
    "list_type": "a list",
    "dict_type": "a group of keys and values",
    "model_type": "a group of keys and values",
    "model_attributes_type": "a group of keys and values",
}


def _words(found: Any, path: KeyPath, models: list[type[BaseModel]]) -> str:
    """Say one of pydantic's errors in plain words."""
    kind: str = found["type"]
    context: dict[str, Any] = found.get("ctx", {})
    value = found["input"]
    name = found["loc"][-1] if found["loc"] else ""
    label = f"{path[-1]}: " if path and isinstance(path[-1], str) else ""
    known = sorted({key for model in models for key in _fields(model)})
    if kind == "missing":
        return f"'{name}' is missing here"
    if kind == "extra_forbidden":
        return f"unknown key {shown(name)}{did_you_mean(name, known) or '; expected one of: ' + ', '.join(known)}"
    if kind == "literal_error":
        allowed = re.findall(r"'((?:[^'\\]|\\.)*)'", str(context.get("expected", "")))
        return f"{label}found {shown(value)}, expected {listed(allowed)}{did_you_mean(value, allowed)}"
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        key = str(context.get("discriminator", "")).strip("'")
        allowed = re.findall(r"'([^']*)'", str(context.get("expected_tags", "")))
        if not allowed:
            allowed = ["selector", "connector"] if key == "kind" else []
        tag = value.get(key) if isinstance(value, dict) else value
        return f"{key}: found {shown(tag)}, expected {listed(allowed) if allowed else 'another word'}"
    if kind == "no_verb":
        keys = list(value) if isinstance(value, dict) else []
        verbs = str(found["msg"]).partition(": ")[2].split(", ")
        several = [key for key in keys if key in verbs]
        if len(several) > 1:
            return f"found {' and '.join(map(shown, several))} in one step, expected one of them; begin a new '- ' line"
        hint = next((said for key in keys if (said := did_you_mean(key, verbs))), "")
        return f"found {', '.join(map(shown, keys[:5])) if keys else shown(value)}; {found['msg']}{hint}"
    if kind in ("greater_than_equal", "greater_than", "less_than_equal", "less_than"):
        bound = next(iter(context.values()))
        word = {"greater_than_equal": "at least", "greater_than": "more than", "less_than_equal": "at most"}
        return f"{label}found {shown(value)}, expected {word.get(kind, 'less than')} {bound:g}"
    if kind in ("too_short", "string_too_short"):
        least = context.get("min_length")
        what = "characters" if kind.startswith("string") else "entries"
        return f"{label}too short, expected at least {least} {what}"
    if kind in ("too_long", "string_too_long"):
        most = context.get("max_length")
        what = "characters" if kind.startswith("string") else "entries"
        return f"{label}too long, expected at most {most} {what}"
    if kind == "value_error":
        return f"{label}{context.get('error', found['msg'])}"
    if kind in _EXPECTED:
        return f"{label}found {shown(value)}, expected {_EXPECTED[kind]}"
    return f"{label}found {shown(value)}; {found['msg']}"
