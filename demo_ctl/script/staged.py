"""What run sheets and exhibits have in common: words in several languages, and files beside the file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from demo_ctl.terms.located import Findings, Located, listed


def beside(located: Located[Any], name: str) -> Path:
    """Return the path of a file that a sheet or an exhibit names: seen from the folder it is in."""
    return Path(located.file).parent / name


def must_be_there(located: Located[Any], name: str | None, findings: Findings, *path: str | int) -> None:
    """Find fault with a file that is named and is not there."""
    if name is None:
        return
    there = beside(located, name)
    try:
        found = there.is_file()
    except (OSError, ValueError):
        found = False
    if not found:
        findings.add(f"{path[-1]}: there is no file {there}", *path)


def check_languages(languages: Sequence[str], findings: Findings) -> None:
    """Each language once."""
    for position, language in enumerate(languages):
        if language in languages[:position]:
            findings.add(f"'{language}' stands here twice", "languages", position)


def check_texts(
    languages: Sequence[str], texts: Mapping[Any, str], of: str, findings: Findings, *path: str | int
) -> None:
    """Every language has its words, and no other has: a screen never falls silent by a slip. of: whose languages."""
    lacking = [language for language in languages if language not in texts]
    if lacking:
        findings.add(f"{path[-1]}: words are missing for {listed(lacking)} (`languages` has them)", *path)
    for language in texts:
        if language not in languages:
            findings.add(f"{path[-1]}: '{language}' is none of this {of}'s `languages`", *path, language)
