"""Which tests touch a module: those that import it, nearest first."""

from __future__ import annotations

import ast
from collections import defaultdict
from pathlib import Path
from typing import Final

PACKAGES: Final = ("flowdiag", "tests")
# Notes that were read aloud and, for what judges, situations with a known truth: they go through the whole program.
NOTES: Final = Path("tests/note/test_golden.py")
SITUATIONS: Final = Path("tests/scenarios/test_quick.py")
JUDGING: Final = Path("tests/diagnoser")
# Finds its modules by their folder, where no import says so.
BY_FOLDER: Final = {"flowdiag.diagnoser.kinds": "flowdiag.diagnoser.findings."}


class Imports:
    """Who imports whom, of the modules below a folder; read from the sources, nothing is run."""

    def __init__(self, root: Path) -> None:
        self._files = {
            _name(path.relative_to(root)): path.relative_to(root)
            for package in PACKAGES
            for path in sorted((root / package).rglob("*.py"))
        }
        self._importers: dict[str, set[str]] = defaultdict(set)
        for name, path in self._files.items():
            for imported in self._imported((root / path).read_text(encoding="utf-8")):
                self._importers[imported].add(name)
        for name, folder in BY_FOLDER.items():
            for found in self._files:
                if found.startswith(folder):
                    self._importers[found].add(name)

    def tests_of(self, module: Path) -> list[Path]:
        """Test files to run for a module, by path below the root: the one with its name first, then those that import
        it, then those of its wing and those of the whole that come to it by way of others."""
        wing = self._wing(Path("tests", *module.parts[1:-1]))
        whole = (NOTES, SITUATIONS) if wing == JUDGING else (NOTES,)
        far = self._distances(_name(module))
        found = [
            (path.name != f"test_{module.name}" or path.parent != wing, distance, path)
            for name, distance in far.items()
            if (path := self._files[name]).name.startswith("test_")
            and (distance == 1 or path.parent == wing or path in whole)
        ]
        return [path for *_, path in sorted(found)]

    def _wing(self, folder: Path) -> Path:
        """The folder with the tests of a folder of the program: its own, or that of the one around it."""
        with_tests = {path.parent for path in self._files.values()}
        return next((one for one in (folder, *folder.parents) if one in with_tests), folder)

    def importers_of(self, module: Path) -> list[Path]:
        """The modules of program and tests that import a module, by path below the root."""
        return sorted(self._files[name] for name in self._importers[_name(module)])

    def _distances(self, name: str) -> dict[str, int]:
        """How many imports lead from each module to this one."""
        far = {name: 0}
        queue = [name]
        for at in queue:
            for importer in sorted(self._importers[at] - far.keys()):
                far[importer] = far[at] + 1
                queue.append(importer)
        return far

    def _imported(self, source: str) -> set[str]:
        names: set[str] = set()
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.Import):
                names.update(alias.name for alias in node.names)
            elif isinstance(node, ast.ImportFrom) and node.module:
                inner = {f"{node.module}.{alias.name}" for alias in node.names}
                names |= (inner & self._files.keys()) or {node.module}
        return names & self._files.keys()


def _name(path: Path) -> str:
    parts = path.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
