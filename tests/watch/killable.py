"""A watch that can be killed at any instant: the command itself, of sites whose troubles a plan says instead of their records.

As a program it has everything loaded and starts a watch for each line of its standard input by a fork, within some milliseconds.
"""

from __future__ import annotations

import importlib
import json
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from msgspec import Struct

from flowdiag.durations import HOUR_MS, MINUTE_MS
from flowdiag.watch.event import Matter, key_of
from flowdiag.watch.ledger import Change
from flowdiag.watch.ledgers.opening import open_ledger
from flowdiag.watch.part import Part, decoded
from flowdiag.watch.state import Mark, SiteState

START: Final = 1_772_497_800_000  # a whole minute
SEEN_MS: Final = 6 * HOUR_MS  # of what was before a look
CYCLE_MS: Final = 40 * MINUTE_MS
LONG_MS: Final = 15 * MINUTE_MS
CODE: Final = "link-full"
LOADED: Final = (
    "flowdiag.cli.watch",
    "flowdiag.watch.notify_file",
    "flowdiag.watch.service",
    "flowdiag.watch.targets.command",
    "flowdiag.watch.targets.webhook",
    "pyarrow.dataset",
    "pyarrow.parquet",
)


def troubles(place: str, cycles: int) -> Iterator[tuple[str, int, int]]:
    """A site's troubles: link, begin and end (ms), each of a link of its own, so that none is held back for another one."""
    number = int(place.rpartition("-")[2])
    for cycle in range(cycles):
        began_ms = START + cycle * CYCLE_MS + (number % 10 + 1) * MINUTE_MS
        yield f"line {cycle}", began_ms, began_ms + LONG_MS


def state(place: str, cycles: int, now_ms: int) -> SiteState:
    """As a look shows it at a time: what is on record ends a minute before."""
    judged_ms = now_ms - MINUTE_MS
    shown = [one for one in troubles(place, cycles) if judged_ms - SEEN_MS < one[2] and one[1] < judged_ms]
    return SiteState(
        on="main",
        judged_ms=judged_ms,
        begin_ms=judged_ms - SEEN_MS,
        heard_ms=judged_ms,
        heard_since_ms=judged_ms - SEEN_MS,
        unheard_ms=judged_ms + 10 * MINUTE_MS,
        marks=tuple(
            Mark(
                code=CODE,
                severity="critical",
                confidence="high",
                link=link,
                direction="up",
                began_ms=began_ms,
                ended_ms=ended_ms if ended_ms < judged_ms else None,
                before=False,
                client="Your upload was full.",
                summary="full",
            )
            for link, began_ms, ended_ms in shown
        ),
    )


def truth(places: Iterable[str], cycles: int) -> set[str]:
    """The names of all events."""
    return {
        f"{key_of(place, Matter(CODE, link, 'up'), began_ms)}.{number}"
        for place in places
        for link, began_ms, _ in troubles(place, cycles)
        for number in (1, 2)
    }


def parts(store: str) -> dict[str, Part]:
    ledger = open_ledger(store)
    found = {}
    for name in ledger.versions():
        if name.startswith("part-"):
            document = ledger.read(name)
            assert document is not None
            found[name] = decoded(name, document.content)
    return found


def owners(store: str) -> dict[str, int]:
    """How many parts each watcher has."""
    return dict(Counter(part.owner for part in parts(store).values()))


def told(store: str) -> list[str]:
    """The names of the events in the ledger."""
    return [event.name for part in parts(store).values() for event in part.events]


class Run(Struct):
    """words: of the command; now_ms: the time at anchor_s of the monotonic clock; speed: at which it goes on from there; out:
    what it prints is added to that file; die_at: it kills itself at that step of its ledger, before each write and after; beat_s:
    between two signs of life, and a quarter of the silence that is death; elsewhere: as if the others were on other hosts."""

    words: list[str]
    cycles: int
    out: str
    now_ms: int
    speed: float = 0.0
    anchor_s: float = 0.0
    die_at: int | None = None
    beat_s: float | None = None
    elsewhere: bool = False


class Stable:
    """Starts watches."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def start(self, run: Run) -> int:
        """Its number as a process."""
        return int(self._ask({field: getattr(run, field) for field in run.__struct_fields__}))

    def wait(self, number: int) -> int:
        """How it ended: its exit code, or the signal that killed it, negative."""
        return os.waitstatus_to_exitcode(int(self._ask(number)))

    def kill(self, number: int) -> bool:
        """Whether it was alive until then."""
        os.kill(number, signal.SIGKILL)
        return self.wait(number) == -signal.SIGKILL

    def _ask(self, what: Any) -> str:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(what) + "\n")
        self._process.stdin.flush()
        return self._process.stdout.readline()


@contextmanager
def stable() -> Iterator[Stable]:
    with subprocess.Popen(
        [sys.executable, "-m", "tests.watch.killable"], stdin=-1, stdout=-1, text=True
    ) as process:
        yield Stable(process)
        assert process.stdin is not None
        process.stdin.close()


def _main() -> None:
    for module in LOADED:
        importlib.import_module(module)

    for line in sys.stdin:
        asked = json.loads(line)
        if isinstance(asked, int):
            print(os.waitpid(asked, 0)[1], flush=True)
            continue
        number = os.fork()
        if number == 0:
            _become(Run(**asked))
        print(number, flush=True)


def _become(run: Run) -> None:
    """The watch, in this process."""
    from flowdiag.cli.main import main
    from flowdiag.watch import clock, site_task
    from flowdiag.watch.look import Looked

    out = os.open(run.out, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    os.dup2(out, 1)
    os.dup2(os.open(f"{run.out}.errors", os.O_WRONLY | os.O_APPEND | os.O_CREAT), 2)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)

    def now_s() -> float:
        return run.now_ms / 1000 + (time.monotonic() - run.anchor_s) * run.speed

    def look(store: str, profile: Any, now_ms: int, known: str | None, *more: Any) -> Looked:
        return Looked(str(now_ms), state(profile.site.name.replace(" ", "-"), run.cycles, now_ms), None)

    clock.WatchClock.__init__.__defaults__ = (now_s, now_s)  # type: ignore[misc]
    site_task.look = look  # type: ignore[assignment]
    if run.die_at is not None:
        _die(run.die_at)
    _hold(run.beat_s, elsewhere=run.elsewhere)
    sys.argv = ["flowdiag", *run.words]
    code: Any = 1
    try:
        main()
    except SystemExit as end:
        code = end.code
    finally:
        sys.stdout.flush()
        os._exit(code if isinstance(code, int) else 1)


def _hold(beat_s: float | None, *, elsewhere: bool) -> None:
    """How signs of life are given and heard."""
    from flowdiag.watch import holding, sending, service, watcher

    if beat_s is not None:
        for module in (holding, service, watcher):
            module.BEAT_S = beat_s  # type: ignore[misc]
        sending.ROUND_S = beat_s  # type: ignore[misc]
        holding.SURE_S = 3 * beat_s  # type: ignore[misc]
        holding.DEAD_AFTER_S = service.DEAD_AFTER_S = 4 * beat_s  # type: ignore[misc]
    if elsewhere:
        clock, owner, _ = holding.Holding.__init__.__defaults__  # type: ignore[misc]
        holding.Holding.__init__.__defaults__ = (clock, owner, lambda name: False)  # type: ignore[misc]


def _die(at: int) -> None:
    """Before and after each write that a ledger does, one of them is the last."""
    from flowdiag.watch.ledgers.folder import FolderLedger

    steps = iter(range(10**9))
    write = FolderLedger.write_each

    def step() -> None:
        if next(steps) == at:
            os.kill(os.getpid(), signal.SIGKILL)

    def written(self: FolderLedger, changes: Sequence[Change]) -> list[bool]:
        step()
        done = write(self, changes)
        step()
        return done

    FolderLedger.write_each = written  # type: ignore[method-assign]


def make_sites(folder: Path, count: int) -> list[str]:
    """Profiles of sites; their places."""
    from flowdiag.scenario.library import FERRY_OFFICE
    from flowdiag.scenario.site import profile_toml

    folder.mkdir()
    text = profile_toml(FERRY_OFFICE)
    places = [f"site-{number:02d}" for number in range(count)]
    for place in places:
        named = text.replace(FERRY_OFFICE.name, place.replace("-", " "))
        assert named != text
        (folder / f"{place}.toml").write_text(named, encoding="utf-8")
    return places


if __name__ == "__main__":
    _main()
