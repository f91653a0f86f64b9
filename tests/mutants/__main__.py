"""Puts small errors into the program and looks which tests notice: `python -m tests.mutants --sample 50`.

Works on copies of the checkout. A mutant that no test notices survived: a test is missing, or the change changes nothing
that counts; such ones stand in tests/mutants/equivalent.toml, each with its reason.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from itertools import chain
from pathlib import Path
from typing import Final

import pytest

from tests.mutants.choosing import Choice
from tests.mutants.making import Mutant, mutants_of
from tests.mutants.running import SECONDS_MORE, TIMES_SLOWER, Runner, Work, load_libraries
from tests.mutants.touching import Imports
from tests.scenarios.wilson import wilson

ROOT: Final = Path(__file__).parents[2]
PLACES: Final = ("flowdiag/aggregator", "flowdiag/collector/decode", "flowdiag/diagnoser")
EQUIVALENT: Final = Path(__file__).with_name("equivalent.toml")

Placed = tuple[Path, Mutant]


def equivalents() -> dict[tuple[str, str, str], str]:
    """Why some mutants change nothing: by file, line and change."""
    listed = tomllib.loads(EQUIVALENT.read_text(encoding="utf-8"))["mutant"]
    return {(one["file"], one["line"], one["change"]): one["why"] for one in listed}


def all_mutants(places: Sequence[str]) -> list[Placed]:
    """Mutants of the modules at some places (files or folders below the root), but those known to change nothing."""
    known = equivalents()
    modules = sorted({path.relative_to(ROOT) for place in places for path in _modules(ROOT / place)})
    return [
        (module, mutant)
        for module in modules
        for mutant in mutants_of((ROOT / module).read_text(encoding="utf-8"))
        if (str(module), mutant.text, mutant.change) not in known
    ]


def _modules(place: Path) -> Iterator[Path]:
    if place.is_file():
        yield place
    else:
        yield from place.rglob("*.py")


def _works(runner: Runner, chosen: Sequence[Placed], seconds: float, scratch: Path) -> list[Work]:
    """What to run over each mutant; no tests where none comes by."""
    modules = list(dict.fromkeys(module for module, _ in chosen))
    choice = Choice(runner, Imports(ROOT), modules, scratch)
    works = []
    for module, mutant in chosen:
        tests, took = choice.tests_of(module, mutant, seconds)
        works.append(Work(module, mutant, tests, TIMES_SLOWER * took + SECONDS_MORE))
    return works


def _survivors(runner: Runner, works: Sequence[Work]) -> Iterator[Placed]:
    """Mutants that no test notices, each told as it is known."""
    untested = ((work, None) for work in works if not work.tests)
    ran = runner.run(work for work in works if work.tests)
    for number, (work, ended) in enumerate(chain(untested, ran), 1):
        alive = ended is None or ended.code in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED)
        how = "untested" if ended is None else "survived" if alive else "killed"
        where = f"{work.module}:{work.mutant.line}  {work.mutant.change}"
        print(f"{number}/{len(works)} {how} {where}", file=sys.stderr, flush=True)
        if alive:
            yield work.module, work.mutant


def _table(chosen: Sequence[Placed], survived: Sequence[Placed]) -> Iterator[str]:
    made, left = Counter(module for module, _ in chosen), defaultdict(list)
    for module, mutant in survived:
        left[module].append(mutant)
    width = max(len(str(module)) for module in made)
    yield f"{'file':{width}}  mutants  killed  survived"
    for module, count in sorted(made.items()):
        alive = sorted(left[module], key=lambda mutant: (mutant.begin, mutant.after))
        yield f"{module!s:{width}}  {count:7}  {count - len(alive):6}  {len(alive):8}"
        yield from (f"    {module}:{mutant.line}  {mutant.change}" for mutant in alive)
    killed = len(chosen) - len(survived)
    low, high = (f"{100 * edge:.0f}" for edge in wilson(killed, len(chosen)))
    yield f"{'all':{width}}  {len(chosen):7}  {killed:6}  {len(survived):8}"
    yield f"killed {100 * killed / len(chosen):.0f} % (Wilson interval at 95 %: {low} to {high} %)"


def main(words: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__.splitlines()[0])
    parser.add_argument(
        "--only", action="append", metavar="PATH", help="a file or folder of the program; may be repeated"
    )
    parser.add_argument("--lines", metavar="N-M", help="only mutants of these lines")
    parser.add_argument("--sample", type=int, metavar="N", help="so many of them, by chance")
    parser.add_argument("--seed", type=int, default=0, help="the same seed takes the same ones (default 0)")
    parser.add_argument("--jobs", type=int, default=1, help="how many at once (default 1)")
    parser.add_argument(
        "--seconds", type=float, default=60, help="processor time of the tests for one mutant (default 60)"
    )
    parser.add_argument("--list", action="store_true", help="name the mutants and run nothing")
    given = parser.parse_args(words)
    for place in given.only or ():
        if not (ROOT / place).exists():
            parser.error(f"--only {place}: there is no such file or folder below {ROOT}")
    chosen = all_mutants(given.only or PLACES)
    if given.lines is not None:
        first, last = map(int, given.lines.split("-"))
        chosen = [(module, mutant) for module, mutant in chosen if first <= mutant.line <= last]
    if given.sample is not None and given.sample < len(chosen):
        places = sorted(random.Random(given.seed).sample(range(len(chosen)), given.sample))
        chosen = [chosen[place] for place in places]
    if given.list or not chosen:
        for module, mutant in chosen:
            print(f"{module}:{mutant.line}  {mutant.change}")
        print(f"{len(chosen)} mutants")
        return
    load_libraries()
    with tempfile.TemporaryDirectory() as scratch:
        runner = Runner(ROOT, Path(scratch), given.jobs)
        survived = list(_survivors(runner, _works(runner, chosen, given.seconds, Path(scratch))))
    print("\n".join(_table(chosen, survived)))


if __name__ == "__main__":
    main()
