"""What the desk costs: `python -m tests.benchmarks.desk --store FOLDER [note month board idle]`.

FOLDER has `flows` and `sites` as `tests.benchmarks.store asking --kept FOLDER` leaves them (100 million records, 20 sites, 30
days). note: four people ask at once, each about another hour of another site as soon as they have read the last note. month:
the picture of 30 days. board: the page of 1,000 sites. idle: 200 browsers that look at it and refresh. The desk is a process of
its own on loopback; memory is that of all its processes.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median, quantiles
from typing import Final

import httpx
import psutil

from tests.desk.running import RunningDesk

WHAT: Final = ("note", "month", "board", "idle")
FIRST: Final = datetime(2026, 2, 4, tzinfo=UTC)
DAYS: Final = 26
PEOPLE: Final = 4
IDLE_BROWSERS: Final = 200
SETTLES_WITHIN_S: Final = 120.0
BOARD: Final = "/all-sites"
MOST_MIB: Final = 900


def main() -> None:
    parser = argparse.ArgumentParser(description="Measures the desk.")
    parser.add_argument("--store", type=Path, required=True, help="folder with flows and sites")
    parser.add_argument("--questions", type=int, default=60, help="notes asked for (default 60)")
    parser.add_argument("what", nargs="*", default=[*WHAT], help=", ".join(WHAT))
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        words = (
            "--store",
            given.store / "flows",
            "--sites",
            given.store / "sites",
            "--state",
            place / "state",
        )
        with RunningDesk(place, *words) as desk, desk.signed_in() as client:
            keys = [link.partition('"')[0] for link in client.get("/").text.split('href="/sites/')[1:]]
            cookies = dict(client.cookies)
            settle(client, len(keys))
            if "note" in given.what:
                asyncio.run(notes(desk.url, cookies, keys, given.questions))
            if "month" in given.what:
                month(client, keys)
            if "board" in given.what:
                board(client)
            if "idle" in given.what:
                asyncio.run(idle(desk, cookies))
            print(f"memory of all processes: {memory(desk):.0f} MiB (at most {MOST_MIB})")


def settle(client: httpx.Client, sites: int) -> None:
    """Waits until the desk has looked at all of its sites for the first time, as one that runs all the time has."""
    until = time.monotonic() + SETTLES_WITHIN_S
    while time.monotonic() < until:
        states = client.get("/api/states").json()["sites"]
        if len(states) >= sites and all(one["looked_ms"] and one["day"] for one in states):
            return
        time.sleep(1)


def hour(rng: random.Random) -> str:
    begin = FIRST + timedelta(hours=rng.randrange(DAYS * 24))
    return f"from={begin:%Y-%m-%dT%H:%M}Z&to={begin + timedelta(hours=1):%Y-%m-%dT%H:%M}Z"


async def notes(url: str, cookies: dict[str, str], keys: list[str], questions: int) -> None:
    """Seconds from asking to the whole page of the note, of each question."""
    rng = random.Random(7)
    asked = [f"/sites/{rng.choice(keys)}/note?{hour(rng)}" for _ in range(questions)]
    waiting, took = iter(asked), []

    async def person(client: httpx.AsyncClient) -> None:
        for question in waiting:
            began = time.perf_counter()
            while (answer := await client.get(question, follow_redirects=True)).status_code == 202:
                await asyncio.sleep(0.1)
            answer.raise_for_status()
            assert "/notes/" in str(answer.url)
            took.append(time.perf_counter() - began)

    async with httpx.AsyncClient(base_url=url, cookies=cookies, timeout=60) as client:
        await asyncio.gather(*(person(client) for _ in range(PEOPLE)))
    print(
        f"note of an hour, {PEOPLE} people at once: median {median(took):.2f} s (at most 0.5), "
        f"95th percentile {quantiles(took, n=20)[-1]:.2f} s (at most 1.2), {questions} notes"
    )


def month(client: httpx.Client, keys: list[str]) -> None:
    """Until the page with the pictures is there; the rankings, which come later, are waited for between the questions."""
    took = []
    span = "from=2026-02-02T00:00Z&to=2026-03-04T00:00Z"
    for key in keys[:6]:
        began = time.perf_counter()
        while "<svg" not in (page := _page(client, f"/sites/{key}/closer?{span}")):
            time.sleep(0.05)
        took.append(time.perf_counter() - began)
        while "data-work" in page:
            time.sleep(0.5)
            page = _page(client, f"/sites/{key}/closer?{span}")
    print(f"picture of 30 days: median {median(took):.2f} s (at most 1.0), largest {max(took):.2f} s")


def _page(client: httpx.Client, address: str) -> str:
    answer = client.get(address, follow_redirects=True)
    answer.raise_for_status()
    return answer.text


def board(client: httpx.Client) -> None:
    took = []
    for _ in range(9):
        began = time.perf_counter()
        answer = client.get(BOARD)
        answer.raise_for_status()
        took.append(time.perf_counter() - began)
    print(
        f"page of all sites: median {median(took):.2f} s (at most 1.0), {len(answer.content) / 1000:.0f} kB"
    )


async def idle(desk: RunningDesk, cookies: dict[str, str], seconds: float = 60.0) -> None:
    """The part of a core that browsers cost which refresh the page of all sites as its script does."""
    async with httpx.AsyncClient(base_url=desk.url, cookies=cookies, timeout=60) as client:
        page = (await client.get(BOARD)).text
        every = float(page.partition('data-every="')[2].partition('"')[0])
        address = page.partition('data-changes="')[2].partition('"')[0].replace("&amp;", "&")

        async def browser(offset: float) -> None:
            await asyncio.sleep(offset)
            until = time.perf_counter() + seconds - offset
            while time.perf_counter() < until:
                (await client.get(address)).raise_for_status()
                await asyncio.sleep(every)

        await asyncio.sleep(5)
        server = psutil.Process(desk.pid)
        began = sum(server.cpu_times()[:2])
        await asyncio.gather(*(browser(every * number / IDLE_BROWSERS) for number in range(IDLE_BROWSERS)))
        used = (sum(server.cpu_times()[:2]) - began) / seconds
    print(f"{IDLE_BROWSERS} browsers refresh each {every:.0f} s: {used:.1%} of a core (at most 10 %)")


def memory(desk: RunningDesk) -> float:
    """MiB of the server and all its processes; what forks share counts once (proportional set size)."""
    server = psutil.Process(desk.pid)
    return sum(one.memory_full_info().pss for one in [server, *server.children(recursive=True)]) / (1 << 20)


if __name__ == "__main__":
    main()
