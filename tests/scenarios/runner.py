"""Plays situations, diagnoses their exports, and judges."""

from __future__ import annotations

import multiprocessing
import tempfile
import time
import traceback
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from tests.scenarios import (  # noqa: F401 (each registers its situations)
    attacks,
    backups,
    beyond,
    client_part,
    healthy,
    held_levels,
    keepalives,
    lost_records,
    measuring,
    outages,
    paths,
    plain_beyond,
    plain_ceilings,
    plain_links,
    plain_loads,
    plans,
    saturation,
    short_outages,
    short_windows,
    subtle,
    translation,
)
from tests.scenarios.files import lay_out
from tests.scenarios.judge import Score, judge
from tests.scenarios.stage import SITUATIONS, labelled

# Numbers draw the sites. Thresholds may be tuned on the first set; the second is looked at only at the end.
TUNING = (0, 1)
HELD_OUT = (400, 401)


def jobs_of(numbers: Iterable[int], only: str | None = None) -> list[tuple[str, int]]:
    """(situation, number) of every situation whose name, with or without /number, contains `only`."""
    every = [(name, number) for name in sorted(SITUATIONS) for number in numbers]
    return [job for job in every if only is None or only in f"{job[0]}/{job[1]}"]


def score(job: tuple[str, int], *, rolled_up: bool = False) -> Score:
    """Writes, diagnoses and judges one situation; rolled_up: by the roll-ups of a store. A crash of flowdiag is a wrong
    verdict that names the error.
    """
    from flowdiag.long_times import ORDINARY, Effort
    from flowdiag.pipeline import run
    from flowdiag.site.reading import read_profile
    from tests.rollup.stores import rolled_up_store

    name, number = job
    case = labelled(name, number)
    with tempfile.TemporaryDirectory() as folder:
        export, profile = lay_out(case, Path(folder))
        begin = time.perf_counter()
        try:
            window_from, window_to = map(_iso, case.window or (None, None))
            diagnosis = run(
                [rolled_up_store(export, Path(folder) / "store") if rolled_up else export],
                read_profile(profile),
                window_from=window_from,
                window_to=window_to,
                reported=case.reported,
                effort=Effort(worth_octets=0) if rolled_up else ORDINARY,
            )
        except Exception as error:  # the report goes on and shows which situation broke
            place = traceback.extract_tb(error.__traceback__)[-1]
            broken = Score(case.name, case.healthy, case.verdicts, verdict=type(error).__name__)
            broken.misses = [wanted.code for wanted in case.wanted]
            broken.faults = [f"crashed in {Path(place.filename).name}:{place.lineno}: {error!r}"]
            return broken
        result = judge(case, diagnosis)
        result.seconds = time.perf_counter() - begin
    return result


def _iso(moment_ms: int | None) -> str | None:
    return None if moment_ms is None else datetime.fromtimestamp(moment_ms / 1000, UTC).isoformat()


def scores(jobs: list[tuple[str, int]], processes: int = 1, *, rolled_up: bool = False) -> Iterator[Score]:
    """Scores in the order of jobs."""
    scored = partial(score, rolled_up=rolled_up)
    if processes <= 1:
        yield from map(scored, jobs)
        return
    with multiprocessing.Pool(processes) as pool:
        yield from pool.imap(scored, jobs)
