"""Single changes to a module's source: each a small mistake that somebody might make. Deterministic, from the syntax.

Left alone: documentation, imports, and annotations, which do nothing.
"""

from __future__ import annotations

import ast
import copy
import random
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

_COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
}
_COMPUTED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.FloorDiv,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}
#: Names that might be taken for each other: each is changed into the next of its group, and the one after that.
_CONFUSED = (
    ("G_LOCKED", "G_KEY_OFF", "G_SAFE", "G_PROVING", "G_ARMED", "G_LIVE", "G_FALLING", "G_TRIPPED"),
    ("CHAIN", "MIRRORS", "KEY", "QUIET", "FIT", "BEAT", "RUN", "WINDOW"),
    ("READY", "DOWN", "CHAIN"),
    ("IN_CHAIN_A", "IN_CHAIN_B", "IN_MIRROR_A", "IN_MIRROR_B", "IN_KEY"),
    ("IN_SMOKE", "IN_FUSE", "IN_RELEASE", "IN_SUPERVISORY", "IN_KEY", "IN_NIGHT"),
    ("burst_us", "pause_us", "call_us", "hour_us"),
    ("LEAST_SUPPLY_MV", "LEAST_BATTERY_MV", "MOST_BATTERY_MV", "QUIET_MV", "PEAK_MOST_MV"),
    ("live", "ringing"),
    ("MODE_DAY", "MODE_NIGHT", "MODE_VISITORS"),
    ("PLAN_CALL", "PLAN_VISITORS"),
    ("IN_ALONE", "IN_COVERS", "IN_KEY", "AT_NIGHT"),
    ("ARM_US", "RELEASE_US"),
)
_TIMES = ("pump_us", "loop_us", "pull_us", "hold_us", "drop_us", "prove_us", "apart_us", "odd_us", "key_us")
_AGES = ("_age_us", "_ends_us", "_release_us")


@dataclass(frozen=True)
class Mutant:
    """number: in its module's list; line: in the source; where: the statement; says: what was changed into what."""

    number: int
    line: int
    where: str
    says: str


def _next_two(groups: tuple[tuple[str, ...], ...], name: str) -> list[str]:
    found = []
    for group in groups:
        if name in group:
            at = group.index(name)
            found += [group[(at + step) % len(group)] for step in (1, 2)]
    reasons = ("R_CHAIN", "R_NONE")
    if name.startswith("R_"):
        found += [each for each in reasons if each != name][:1]
    return [each for each in dict.fromkeys(found) if each != name]


def _replace(parent: ast.AST, name: str, at: int | None, new: ast.AST) -> None:
    if at is None:
        setattr(parent, name, new)
    else:
        getattr(parent, name)[at] = new


def _sites(tree: ast.AST, where: str = "") -> Iterator[tuple[ast.AST, str, int | None, ast.AST, str]]:
    """Yield (parent, field, index, node, its statement) of every node that may be changed, in the source's order."""
    for name, value in ast.iter_fields(tree):
        nodes = list(enumerate(value)) if isinstance(value, list) else [(None, value)]
        for at, node in nodes:
            if not isinstance(node, ast.AST) or isinstance(node, (ast.Import, ast.ImportFrom)):
                continue
            documentation = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
            if not documentation:
                statement = ast.unparse(node).splitlines()[0] if isinstance(node, ast.stmt) else where
                yield tree, name, at, node, statement
                yield from _sites(node, statement)


def _changes(parent: ast.AST, node: ast.AST, names: set[str]) -> Iterator[tuple[str, ast.AST]]:
    """Yield (what is said of it, what takes the node's place)."""
    text = ast.unparse(node).splitlines()[0] if isinstance(node, (ast.expr, ast.stmt)) else ""
    if isinstance(node, ast.Compare) and len(node.ops) >= 1:
        for number, op in enumerate(node.ops):
            for other in _COMPARED.get(type(op), ()):
                changed = copy.deepcopy(node)
                changed.ops[number] = other()
                yield f"{text} -> {ast.unparse(changed)}", changed
    if isinstance(node, ast.BoolOp):
        other_op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        changed_bool = ast.BoolOp(other_op, node.values)
        yield f"{text} -> {ast.unparse(changed_bool)}", changed_bool
        for number in range(len(node.values)):
            rest = [value for place, value in enumerate(node.values) if place != number]
            kept = rest[0] if len(rest) == 1 else ast.BoolOp(node.op, rest)
            yield f"{text} -> {ast.unparse(kept)}", kept
    if isinstance(node, ast.UnaryOp):
        yield f"{text} -> {ast.unparse(node.operand)}", node.operand
    if isinstance(node, ast.BinOp):
        if type(node.op) in _COMPUTED:
            changed_op = ast.BinOp(node.left, _COMPUTED[type(node.op)](), node.right)
            yield f"{text} -> {ast.unparse(changed_op)}", changed_op
        for side in (node.left, node.right):
            yield f"{text} -> {ast.unparse(side)}", side
    if isinstance(node, ast.Constant) and not isinstance(node.value, str) and node.value is not None:
        if isinstance(node.value, bool):
            values: tuple[int, ...] = (not node.value,)
        elif isinstance(node.value, int):
            values = (node.value + 1, node.value - 1)
        else:
            values = ()
        for value in values:
            yield f"{text} -> {value}", ast.Constant(value)
    if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
        for other_name in _next_two(_CONFUSED, node.id):
            if other_name not in names:
                continue
            yield f"{text} -> {other_name}", ast.Name(other_name, ast.Load())
    if (
        isinstance(node, ast.Attribute)
        and isinstance(node.ctx, ast.Load)
        and ast.unparse(node.value) in ("times", "self.times")
    ):
        for other_name in _next_two((_TIMES,), node.attr):
            yield f"{text} -> {other_name}", ast.Attribute(node.value, other_name, ast.Load())
    if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Load):
        for other_name in _next_two((_AGES,), node.attr):
            yield f"{text} -> {other_name}", ast.Attribute(node.value, other_name, ast.Load())
    if isinstance(node, (ast.If, ast.IfExp)):
        for value in (True, False):
            changed_test = copy.deepcopy(node)
            changed_test.test = ast.Constant(value)
            yield f"{text} -> always {'yes' if value else 'no'}", changed_test
        negated = copy.deepcopy(node)
        negated.test = ast.UnaryOp(ast.Not(), node.test)
        yield f"{text} -> turned round", negated
    if isinstance(node, ast.Return) and node.value is not None:
        for value in (0, 1):
            if value == 0 and text == "return R_NONE":
                continue  # the same
            yield f"{text} -> return {value}", ast.Return(ast.Constant(value))
    if isinstance(node, ast.AugAssign) and type(node.op) in _COMPUTED:
        yield (
            f"{text} -> {_COMPUTED[type(node.op)].__name__}",
            ast.AugAssign(node.target, _COMPUTED[type(node.op)](), node.value),
        )
    if isinstance(node, (ast.Assign, ast.AugAssign, ast.Expr, ast.Return, ast.Break)) and _in_function(parent):
        yield f"{text} -> left out", ast.Pass()


def _in_function(parent: ast.AST) -> bool:
    return not isinstance(parent, (ast.Module, ast.ClassDef))


def _all(tree: ast.Module) -> Iterator[tuple[tuple[int, str, str], tuple[ast.AST, str, int | None, ast.AST]]]:
    """Yield (line, statement, what is said), (parent, field, index, what takes the place) of every single change."""
    names = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    names |= {node.arg for node in ast.walk(tree) if isinstance(node, ast.arg)}
    for parent, name, at, node, where in list(_sites(tree)):
        seen = {ast.dump(node)}
        line = getattr(node, "lineno", 0)
        for says, new in list(_changes(parent, node, names)):
            dumped = ast.dump(new)
            if dumped not in seen:
                seen.add(dumped)
                yield (line, where, says), (parent, name, at, new)


@cache
def _parsed(source: str) -> tuple[ast.Module, list[Any]]:
    tree = ast.parse(source)
    return tree, list(_all(tree))


def mutants(source: str) -> list[Mutant]:
    """Return every single change of a source."""
    return [Mutant(number, *about) for number, (about, _) in enumerate(_parsed(source)[1])]


def changed(source: str, number: int) -> ast.Module:
    """Return the syntax of the source with one change made."""
    tree, changes = _parsed(source)
    parent, name, at, new = changes[number][1]
    before = getattr(parent, name) if at is None else getattr(parent, name)[at]
    _replace(parent, name, at, new)
    copied = copy.deepcopy(tree)
    _replace(parent, name, at, before)
    return ast.fix_missing_locations(copied)


def some(all_of_them: list[Mutant], count: int, seed: int) -> list[Mutant]:
    """Return `count` of the mutants, chosen by the seed, in their order."""
    if count >= len(all_of_them):
        return all_of_them
    chosen = random.Random(seed).sample(range(len(all_of_them)), count)
    return [all_of_them[index] for index in sorted(chosen)]
