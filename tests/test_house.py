"""The plan of the house holds: a wing imports only from wings before it, and no files import each other in a circle."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import Final

import pytest

PACKAGE: Final = Path(__file__).parents[1] / "flowdiag"
# Each line may import from those before it: the way that data goes.
WINGS: Final = (
    ("flows", "addresses", "address_ranges", "durations", "errors", "buffers", "modes"),
    ("collector",),
    ("site",),
    ("aggregator",),
    ("rollup",),
    ("text",),
    ("diagnoser",),
    ("note",),
    ("review",),
    ("draft",),
    ("scenario",),
    (
        "query_times",
        "query_plan",
        "long_times",
        "long_exports",
        "pipeline",
        "comparing",
        "export_ranking",
        "export_usage",
        "inspection",
        "explained",
        "frames",
    ),
    ("forms",),
    ("api",),
    ("watch",),
    ("desk",),
    ("cli",),
)
LINE_OF: Final = {name: line for line, names in enumerate(WINGS) for name in names}


def name_of(file: Path) -> str:
    """A module's dotted name."""
    parts = file.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES: Final = {name_of(file): file for file in sorted(PACKAGE.rglob("*.py"))}


@cache
def imported_by(module: str) -> tuple[str, ...]:
    """The modules of the package that a module imports, in functions and for types too."""
    return tuple(_imported(ast.parse(MODULES[module].read_text(encoding="utf-8"))))


def _imported(tree: ast.Module) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module in MODULES:
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                yield inner if inner in MODULES else node.module
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in MODULES)


def line_of(module: str) -> int | None:
    """The line of a module's wing; None for the package itself."""
    _, _, inner = module.partition(".")
    return LINE_OF[inner.partition(".")[0]] if inner else None


def against_the_way(module: str) -> list[str]:
    """What a module imports from a later line."""
    mine = line_of(module)
    if mine is None:
        return []  # flowdiag/__init__.py offers what lies deeper
    return [other for other in imported_by(module) if (line_of(other) or 0) > mine]


def test_every_module_belongs_to_a_wing() -> None:
    assert {module.split(".")[1] for module in MODULES if "." in module} == set(LINE_OF)


def test_imports_point_one_way() -> None:
    against = {module: against_the_way(module) for module in MODULES}
    assert {module: others for module, others in against.items() if others} == {}


def test_signals_know_no_finding() -> None:
    """Findings look at signals, and never the other way round."""
    signals = [module for module in MODULES if module.startswith("flowdiag.diagnoser.signals.")]
    found = {module: [o for o in imported_by(module) if ".findings" in o] for module in signals}
    assert signals
    assert {module: others for module, others in found.items() if others} == {}


def test_no_files_import_each_other_in_a_circle() -> None:
    imports = {module: set(imported_by(module)) - {module, "flowdiag"} for module in MODULES}
    try:
        TopologicalSorter(imports).prepare()
    except CycleError as error:
        pytest.fail(f"a circle: {' -> '.join(error.args[1])}")


def test_what_points_back_is_seen() -> None:
    """The check itself: the ground that imported a command, and a command that imports the ground."""
    assert line_of("flowdiag.errors") == 0
    assert LINE_OF["cli"] == max(LINE_OF.values())
    assert "flowdiag.errors" in set(imported_by("flowdiag.cli.main"))
    assert "flowdiag.collector.export" in set(imported_by("flowdiag.pipeline"))


def public(package: str) -> set[str]:
    """What a package says is public: `__all__` of its `__init__.py`."""
    for node in ast.parse(MODULES[package].read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and [ast.unparse(target) for target in node.targets] == ["__all__"]:
            return set(ast.literal_eval(node.value))
    return set()


@pytest.mark.parametrize(
    "package", sorted(name for name, file in MODULES.items() if file.name == "__init__.py" and "." in name)
)
def test_the_public_modules_of_a_package_are_those_that_others_use(package: str) -> None:
    within = f"{package}."
    used = {
        other.removeprefix(within).partition(".")[0]
        for module in MODULES
        if module != package and not module.startswith(within)
        for other in imported_by(module)
        if other.startswith(within)
    }
    assert used == public(package)
