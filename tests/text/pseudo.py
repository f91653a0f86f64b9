"""A language that nobody speaks: every word of the house's words in accented look-alikes, letter by letter.

`install()` has modules of `flowdiag.text`, and what a finding says of itself (`Kind`, `Key`), speak it from their import on.
Whatever is printed in plain letters afterwards, and is no data, was worded somewhere else.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Sequence
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder, SourceFileLoader
from types import ModuleType
from typing import Final

TEXT: Final = "flowdiag.text."
# They neutralise text and lay out figures; what stands in them is no words.
WITHOUT_WORDS: Final = ("flowdiag.text.escape", "flowdiag.text.csv_table")
# The words of each in files of their own: what a finding says of itself.
SELF_TOLD: Final = (
    "flowdiag.diagnoser.findings.",
    "flowdiag.diagnoser.evidence",
    "flowdiag.diagnoser.signals.saturation",
)
SPOKEN_KEYWORDS: Final = frozenset(
    {
        *("means", "means_in_audit", "means_variable"),
        *("next_step", "next_step_in_audit", "next_step_variable", "name", "values"),
    }
)
# Whose first word is a code.
CODED: Final = frozenset({"Action", "Reason"})
# Methods and functions whose words are codes or patterns.
SILENT: Final = frozenset(
    {"get", "compile", "sub", "findall", "fullmatch", "strftime", "isoformat", "getattr", "import_module"}
)

LETTERS: Final = str.maketrans(
    "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ",
    "åƀçđéƒğħíĵķłɱñöþǫŕšŧüṽŵẋýžÅɃÇĐÉƑĞĦÍĴĶŁṀÑÖÞǪŔŠŦÜṼŴẊÝŽ",
)


def spoken(text: str) -> str:
    return (
        text
        if "%H" in text or ("{}" in text and not any(map(str.isalpha, text)))
        else text.translate(LETTERS)
    )


class Speaking(ast.NodeTransformer):
    """All words of a module that are printed: no docstrings, keys, codes that are compared, patterns and format specs."""

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        return (
            ast.copy_location(ast.Constant(spoken(node.value)), node) if isinstance(node.value, str) else node
        )

    def visit_Expr(self, node: ast.Expr) -> ast.AST:
        return node if isinstance(node.value, ast.Constant) else self.generic_visit(node)

    def visit_Dict(self, node: ast.Dict) -> ast.AST:
        node.values = [self.visit(value) for value in node.values]
        return node

    def visit_Set(self, node: ast.Set) -> ast.AST:
        return node

    def visit_Compare(self, node: ast.Compare) -> ast.AST:
        return node

    def visit_Subscript(self, node: ast.Subscript) -> ast.AST:
        node.value = self.visit(node.value)
        return node

    def visit_FormattedValue(self, node: ast.FormattedValue) -> ast.AST:
        node.value = self.visit(node.value)
        return node

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        node.value = None if node.value is None else self.visit(node.value)
        return node

    def visit_arguments(self, node: ast.arguments) -> ast.AST:
        node.defaults = [self.visit(default) for default in node.defaults]
        return node

    def visit_Assign(self, node: ast.Assign) -> ast.AST:
        return node if ast.unparse(node.targets[0]) in ("__all__", "Audience") else self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> ast.AST:
        name = ast.unparse(node.func).rpartition(".")[2]
        node.func = self.visit(node.func)
        quiet = len(node.args) if name in SILENT else 1 if name in CODED else 0
        node.args = [
            argument if at < quiet else self.visit(argument) for at, argument in enumerate(node.args)
        ]
        for keyword in node.keywords:
            keyword.value = self.visit(keyword.value)
        return node


class Telling(ast.NodeTransformer):
    """What a finding's file says of itself: the client's words of its `Kind`, the names and values of its `Key`s."""

    def visit_Call(self, node: ast.Call) -> ast.AST:
        name = ast.unparse(node.func)
        if name not in ("Kind", "Key"):
            return self.generic_visit(node)
        speaking = Speaking()
        node.args = [
            speaking.visit(argument) if name == "Key" and at == 1 else argument
            for at, argument in enumerate(node.args)
        ]
        for keyword in node.keywords:
            if keyword.arg in SPOKEN_KEYWORDS:
                keyword.value = speaking.visit(keyword.value)
        return node


class _Loader(SourceFileLoader):
    """put_in: words for expressions of modules, as somebody might write them outside."""

    put_in: dict[str, tuple[str, str]]

    def get_code(self, fullname: str) -> object:  # type: ignore[override]
        path = self.get_filename(fullname)
        source = self.get_data(path).decode("utf-8")
        if fullname in self.put_in:
            expression, words = self.put_in[fullname]
            assert expression in source
            source = source.replace(expression, repr(words))
        tree = ast.parse(source)
        if f"{fullname}.".startswith(TEXT) and fullname not in WITHOUT_WORDS:
            tree = Speaking().visit(tree)
        elif fullname.startswith(SELF_TOLD):
            tree = Telling().visit(tree)
        return compile(ast.fix_missing_locations(tree), path, "exec")


class _Finder(MetaPathFinder):
    def __init__(self, put_in: dict[str, tuple[str, str]]) -> None:
        self._put_in = put_in

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if not (fullname.startswith((TEXT, *SELF_TOLD)) or fullname in self._put_in):
            return None
        spec = PathFinder.find_spec(fullname, path, target)
        if spec is None or spec.origin is None:
            return spec
        loader = _Loader(fullname, spec.origin)
        loader.put_in = self._put_in
        spec.loader = loader
        return spec


def install(put_in: dict[str, tuple[str, str]] | None = None) -> None:
    """Before anything of flowdiag is imported. put_in: of a module's name, an expression in it and the words for it."""
    assert not any(name.startswith(TEXT) for name in sys.modules)
    sys.meta_path.insert(0, _Finder(put_in or {}))
