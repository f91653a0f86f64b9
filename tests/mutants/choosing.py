"""Which tests to run over a mutant: those that come by its line, the cheapest of them until their time is used up.

What runs when a module is loaded, such as a constant or a function that makes one, has no line that a test comes by: there it
is the tests that run or import the module or one that imports it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import pytest

from tests.mutants.making import Mutant
from tests.mutants.running import Look, Runner
from tests.mutants.touching import Imports
from tests.mutants.tracing import Seen, read

# Processor time that a test file may take while it is looked at; one that takes more is passed over.
LOOK_SECONDS: Final = 180.0


class Choice:
    """Looks once at what the tests that touch some modules run of them, and chooses by that.

    folder: where what was seen is kept meanwhile. Raises SystemExit where a test fails on the sound program.
    """

    def __init__(self, runner: Runner, imports: Imports, modules: Iterable[Path], folder: Path) -> None:
        self._imports = imports
        self._seen: list[Seen] = []
        looked_at = {str(near) for module in modules for near in (module, *imports.importers_of(module))}
        files = sorted({file for module in modules for file in imports.tests_of(module)})
        into = folder / "seen"
        for number, file in enumerate(files, 1):
            look = Look(frozenset(looked_at), file, into, LOOK_SECONDS)
            ((_, ended),) = runner.run([look])
            if ended.code == pytest.ExitCode.TESTS_FAILED:
                raise SystemExit(f"{file} fails without a mutant: mend it first")
            if ended.code == pytest.ExitCode.OK:
                self._seen += read(into.read_text(encoding="utf-8"))
            print(f"{number}/{len(files)} {file} took {ended.seconds:.1f} s", file=sys.stderr, flush=True)

    def tests_of(self, module: Path, mutant: Mutant, most: float) -> tuple[tuple[str, ...], float]:
        """The tests to run and the seconds that they take, no more than `most`; none where nobody tests the module. Those
        of the module's own file go first."""
        own = f"test_{module.name}"
        by_time = sorted(self._by_line(module, mutant), key=lambda seen: (seen.seconds, seen.test))
        chosen: dict[str, list[str]] = {}
        total = 0.0
        for seen in by_time:
            if total + seen.seconds <= most or not chosen:
                total += seen.seconds
                chosen.setdefault(seen.test.partition("::")[0], []).append(seen.test)
        files = sorted(chosen, key=lambda file: Path(file).name != own)
        return tuple(test for file in files for test in chosen[file]), total

    def _by_line(self, module: Path, mutant: Mutant) -> list[Seen]:
        name = str(module)
        if mutant.ran_by is not None:
            by = [seen for seen in self._seen if seen.lines.get(name, frozenset()) & mutant.ran_by]
            if by:
                return by
        near = {name, *map(str, self._imports.importers_of(module))}
        return [
            seen for seen in self._seen if near & seen.lines.keys() or seen.test.partition("::")[0] in near
        ]
