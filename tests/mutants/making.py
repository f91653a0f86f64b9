"""What can be changed in a source: one small error a mutant, each at a place of the syntax tree."""

from __future__ import annotations

import ast
import copy
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

# By which operators one is replaced: its bound moved by one, and its opposite.
_COMPARISONS: Final[dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
# & and | are the and and or of columns.
_ARITHMETIC: Final[dict[type[ast.operator], type[ast.operator]]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}
_NAMES: Final = {
    "min": "max",
    "max": "min",
    "minimum": "maximum",
    "maximum": "minimum",
}


@dataclass(frozen=True)
class Mutant:
    """One change of a source. line: its number, from 1; text: that line; begin, end: octets that it replaces by after.

    ran_by: lines of which one runs at least where the place runs; None for what runs when the module is loaded.
    """

    line: int
    text: str
    before: str
    after: str
    begin: int
    end: int
    ran_by: frozenset[int] | None

    @property
    def change(self) -> str:
        return f"{self.before} -> {self.after}"

    def applied(self, source: str) -> str:
        octets = source.encode()
        new = self.after if self.after == "pass" else f"({self.after})"
        return (octets[: self.begin] + new.encode() + octets[self.end :]).decode()


def mutants_of(source: str) -> list[Mutant]:
    """All mutants of a source, in the order of their places."""
    starts = [0]
    for line in source.encode().splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    lines = source.splitlines()
    found = []
    for node, new, ran_by in _changes(ast.parse(source), None):
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        begin, end = (
            starts[node.lineno - 1] + node.col_offset,
            starts[node.end_lineno - 1] + node.end_col_offset,
        )
        text = lines[node.lineno - 1].strip()
        found.append(Mutant(node.lineno, text, ast.unparse(node), ast.unparse(new), begin, end, ran_by))
    return sorted(found, key=lambda mutant: (mutant.begin, mutant.end, mutant.after))


def _changes(
    tree: ast.AST, ran_by: frozenset[int] | None
) -> Iterator[tuple[ast.expr | ast.stmt, ast.expr | ast.stmt, frozenset[int] | None]]:
    """Nodes, what to put in their places, and by which lines they run. Types and what decorates classes are not what a
    program does, nor is strict of zip(), which only looks for what never is; what stands in an f-string has no place of its
    own before Python 3.12, and is wording."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list") or isinstance(value, ast.JoinedStr):
            continue
        for node in value if isinstance(value, list) else [value]:
            if isinstance(node, ast.keyword) and node.arg == "strict":
                continue
            if isinstance(node, ast.AST) and not isinstance(node, ast.JoinedStr):
                lines = _ran_by(node, ran_by)
                if isinstance(node, ast.expr):
                    yield from ((node, new, lines) for new in _instead(node))
                elif isinstance(node, ast.stmt) and _may_go(node):
                    yield node, ast.Pass(), lines
                yield from _changes(node, lines)


def _ran_by(node: ast.AST, outer: frozenset[int] | None) -> frozenset[int] | None:
    """The lines of a function for what stands at its head, else those of the innermost statement: its head where it has
    a body."""
    if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
        return frozenset(range(node.lineno, (node.end_lineno or 0) + 1))
    if outer is None or not isinstance(node, (ast.stmt, ast.match_case)):
        return outer
    body: list[ast.stmt] = getattr(node, "body", [])
    first = node.pattern.lineno if isinstance(node, ast.match_case) else node.lineno
    past = max(body[0].lineno, first + 1) if body else (getattr(node, "end_lineno", None) or first) + 1
    return frozenset(range(first, past))


def _may_go(node: ast.stmt) -> bool:
    """Whether a program still runs without a statement: a call, or a change of something that is there already."""
    if isinstance(node, ast.Expr):
        return not isinstance(node.value, (ast.Constant, ast.Yield, ast.YieldFrom))
    if isinstance(node, ast.Assign):
        return all(isinstance(target, (ast.Subscript, ast.Attribute)) for target in node.targets)
    return isinstance(node, ast.AugAssign)


def _instead(node: ast.expr) -> Iterator[ast.expr]:
    match node:
        case ast.Compare():
            for place, op in enumerate(node.ops):
                for other in _COMPARISONS[type(op)]:
                    yield _with(
                        node, lambda new, place=place, other=other: new.ops.__setitem__(place, other())
                    )
        case ast.BinOp() if type(node.op) in _ARITHMETIC and not any(map(_is_text, (node.left, node.right))):
            yield _with(node, lambda new: setattr(new, "op", _ARITHMETIC[type(node.op)]()))
        case ast.BoolOp():
            other_op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
            yield _with(node, lambda new: setattr(new, "op", other_op))
        case ast.UnaryOp(op=ast.Not() | ast.Invert()):
            yield node.operand
        case ast.Constant(value=bool()):
            yield ast.Constant(not node.value)
        case ast.Constant(value=int() | float()):
            yield ast.Constant(node.value + 1)
            yield ast.Constant(node.value - 1)
        case ast.Call(func=ast.Name(id=name)) if name in _NAMES:
            yield _with(node, lambda new: setattr(new.func, "id", _NAMES[name]))
        case ast.Call(func=ast.Attribute() as func):
            yield from _of_method(node, func)


def _of_method(node: ast.Call, func: ast.Attribute) -> Iterator[ast.expr]:
    """x.min(), np.minimum(), and np.minimum.reduceat() one level down."""
    if func.attr in _NAMES:
        yield _with(node, lambda new: setattr(new.func, "attr", _NAMES[func.attr]))
    elif isinstance(func.value, ast.Attribute) and func.value.attr in _NAMES:
        inner = func.value.attr
        yield _with(node, lambda new: setattr(new.func.value, "attr", _NAMES[inner]))


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr) or (
        isinstance(node, ast.Constant) and isinstance(node.value, (str, bytes))
    )


def _with(node: ast.expr, change: Callable[..., object]) -> ast.expr:
    new = copy.deepcopy(node)
    change(new)
    return new
