"""The states of all sites, looked at again and again while nobody needs the workers, and kept over a restart.

Facts the design follows:
- what nobody asked for must not slow what somebody waits for: sites are looked at in slices, by one worker at a time and
  only when nobody waits, for a part of one core's time;
- most sites are as they were a minute ago: a browser asks what changed since a version, and mostly nothing did;
- after a restart the board shows what it knew, with its age, until it knows better; what it never knew is looked at at once.
"""

from __future__ import annotations

import asyncio
import logging
import os
import time
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Final

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from flowdiag.desk.asking.answers import Answers
from flowdiag.desk.asking.look_question import LookQuestion, Seen, ToLookAt
from flowdiag.desk.asking.workers import GivenUp
from flowdiag.errors import FlowdiagError
from flowdiag.modes import FILE_MODE, make_folder, opened
from flowdiag.site.catalogue import Catalogue, KnownSite
from flowdiag.text.wording.desk import board as wording
from flowdiag.watch.state import DayState, SiteState, Standing

FILE_NAME: Final = "states.json"
LOOK_EVERY_S: Final = 60.0
DAY_EVERY_S: Final = 900.0
SHARE: Final = 0.25  # of one core's time, at most
IDLE_S: Final = 1.0
AT_ONCE: Final = 64  # sites that one question names
KEEP_EVERY_S: Final = 60.0
LARGEST_KEPT: Final = 512 << 20


class Standings(Struct, frozen=True):
    """What is known of a site. looked_ms, day_looked_ms: when it was looked at, None before the first time; digest,
    day_digest: of the files that it is of; fault: why it cannot be looked at."""

    now: SiteState = SiteState()
    day: DayState | None = None
    digest: str | None = None
    day_digest: str | None = None
    looked_ms: int | None = None
    day_looked_ms: int | None = None
    fault: str | None = None

    def told(self) -> tuple[object, ...]:
        """What a page shows of it: everything but when it was looked at, and how far the records reach."""
        now, day = self.now, self.day
        told_day = None if day is None else (day.begin_ms, day.spells, day.marks)
        return now.on, now.since_ms, now.marks, told_day, self.fault

    def said(self, when: str) -> tuple[Standing, ...]:
        """What is said of it "now" or in the "day", gravest first."""
        if when == "day":
            return ("unknown",) if self.day is None else self.day.standings
        return self.now.standings


class Kept(Struct, frozen=True):
    """The file that outlives a restart."""

    sites: dict[str, Standings]


class Board:
    """Used from one event loop. version: grows with each change that a page shows."""

    def __init__(self, store: str, catalogue: Catalogue, folder: Path) -> None:
        self._store, self._catalogue, self._file = store, catalogue, folder / FILE_NAME
        self._known = _read(self._file)
        self._versions: dict[str, int] = {}
        # Versions of a desk that was restarted go on where nobody has been.
        self.version = time.time_ns() // 1_000_000
        self._due: dict[tuple[str, bool], float] = {}
        self._changed = False
        self._task: asyncio.Task[None] | None = None

    def of(self, site: KnownSite) -> Standings:
        known = self._known.get(site.key)
        return Standings() if known is None else known

    def version_of(self, site: KnownSite) -> int:
        return self._versions.get(site.key, 0)

    def oldest_ms(self, sites: Iterable[KnownSite]) -> int | None:
        """When the one of them that was not looked at for longest was; None where one never was."""
        times = [self.of(site).looked_ms for site in sites]
        known = [ms for ms in times if ms is not None]
        return min(known) if known and len(known) == len(times) else None

    def begin(self, answers: Answers) -> None:
        """Starts to look. Within the event loop that serves."""
        self._task = asyncio.get_running_loop().create_task(self._look_on(answers))

    def end(self) -> None:
        if self._task is not None:
            self._task.cancel()
        if self._changed:
            self._keep()

    async def _look_on(self, answers: Answers) -> None:
        kept = time.monotonic()
        while True:
            took = await self._slice(answers)
            if self._changed and time.monotonic() - kept >= KEEP_EVERY_S:
                self._changed, kept = False, time.monotonic()
                await asyncio.to_thread(self._keep)
            await asyncio.sleep(IDLE_S if took is None else took * (1 / SHARE - 1))

    async def _slice(self, answers: Answers) -> float | None:
        """Looks at those who are due longest. Gives how long that took, 0 where one of them was not known yet; None where nobody
        was due."""
        sites = {site.key: site for site in self._catalogue.all()}
        self._forget(sites)
        now_ms = time.time_ns() // 1_000_000
        self._grow_older(now_ms)
        for day in (False, True):
            chosen = self._longest_due(sites, day)
            if chosen:
                break
        else:
            return None
        begun = time.monotonic()
        asked = tuple(ToLookAt(site.key, site.file, site.digest, self._digest(site, day)) for site in chosen)
        try:
            seen: list[Seen] = await answers.answer(LookQuestion(self._store, now_ms, asked, day))
        except GivenUp:
            return None
        except FlowdiagError as error:  # too much for a worker: it was the first of them
            seen = [Seen(asked[0].key, fault=str(error))]
        except Exception:
            logging.getLogger("flowdiag.desk").exception(wording.LOOK_FAILED)
            return IDLE_S
        first = any(self._is_first(one.key, day) for one in seen)
        for one in seen:
            self._take(one, day, now_ms)
        return 0.0 if first else time.monotonic() - begun

    def _is_first(self, key: str, day: bool) -> bool:
        known = self._known.get(key, Standings())
        return (known.day_looked_ms if day else known.looked_ms) is None

    def _longest_due(self, sites: dict[str, KnownSite], day: bool) -> list[KnownSite]:
        latest = time.monotonic() - (DAY_EVERY_S if day else LOOK_EVERY_S)
        due = [(self._due.get((key, day), -1.0), key) for key in sites]
        return [sites[key] for looked, key in sorted(due)[:AT_ONCE] if looked <= latest or looked < 0]

    def _digest(self, site: KnownSite, day: bool) -> str | None:
        known = self.of(site)
        return known.day_digest if day else known.digest

    def _take(self, seen: Seen, day: bool, now_ms: int) -> None:
        self._due[seen.key, day] = time.monotonic()
        before = self._known.get(seen.key, Standings())
        if day:
            after = replace(before, day_looked_ms=now_ms, day_digest=seen.digest)
            after = after if seen.day is None else replace(after, day=seen.day)
        else:
            after = replace(before, looked_ms=now_ms, digest=seen.digest, fault=seen.fault)
            if seen.fault is not None:
                after = replace(after, now=SiteState())
            elif seen.now is not None:
                after = replace(after, now=seen.now.at(now_ms))
        self._set(seen.key, after)

    def _grow_older(self, now_ms: int) -> None:
        """Exporters of which nothing came since are not heard from a time on, whenever their sites are looked at."""
        for key, known in list(self._known.items()):
            if known.now.on != "unheard" and known.now.at(now_ms) is not known.now:
                self._set(key, replace(known, now=known.now.at(now_ms)))

    def _set(self, key: str, after: Standings) -> None:
        before = self._known.get(key)
        self._known[key] = after
        self._changed = True
        if before is None or before.told() != after.told():
            self.version += 1
            self._versions[key] = self.version

    def _forget(self, sites: dict[str, KnownSite]) -> None:
        for key in self._known.keys() - sites.keys():
            del self._known[key]
            self._versions.pop(key, None)
            self.version += 1

    def _keep(self) -> None:
        """Writes the file anew, whole or not at all. A disk that is full costs what a restart would show."""
        aside = self._file.with_suffix(".new")
        with suppress(OSError):
            make_folder(self._file.parent)
            with open(aside, "wb", opener=lambda path, flags: opened(path, flags, FILE_MODE)) as file:
                file.write(msgspec.json.encode(Kept(dict(self._known))))
                file.flush()
                os.fsync(file.fileno())
            os.replace(aside, self._file)


def _read(file: Path) -> dict[str, Standings]:
    """What an earlier desk knew; nothing where it cannot be read."""
    with suppress(OSError, msgspec.MsgspecError):
        if file.stat().st_size <= LARGEST_KEPT:
            return msgspec.json.decode(file.read_bytes(), type=Kept).sites
    return {}
