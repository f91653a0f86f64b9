"""Runs made up by chance, each wholly by its number.

The named runs show what was thought of beforehand; these are for what was not: lines of all rates, plans that are not what
the line gives, rates that wander, transfers that come and go at whatever rate, uplinks that are cut.
"""

from __future__ import annotations

import random
from typing import Final

from tests.lab.doing import ARCHIVE, CALLS, FILES, Does, Host, Rates, Run, Step, downloads, pages, uploads

PREFIX: Final = "chance-"
# What the main uplink gives of its plan.
GIVEN: Final = (1.0, 1.0, 1.0, 1.0, 1.05, 1.15, 0.9, 0.75, 0.6, 0.4)


HOSTS: Final[tuple[Host, ...]] = ("studio", "office")


def run_by_chance(number: int) -> Run:
    chance = random.Random(number)
    seconds = chance.randint(45, 125)
    shaped = Rates(round(chance.uniform(6, 24), 1), round(chance.uniform(1.5, 6), 1))
    given = chance.choice(GIVEN)
    plan = Rates(round(shaped.down / given, 1), round(shaped.up / given, 1))
    does = [pages(host, seconds - 2, chance.randrange(1 << 30)) for host in HOSTS if chance.random() < 0.8]
    does += [_transfer(chance, seconds, shaped) for _ in range(chance.choice((0, 1, 1, 1, 2, 2, 3, 4)))]
    rates: tuple[tuple[float, float], ...] = ()
    if chance.random() < 0.25:
        every = chance.uniform(5, 25)
        rates = tuple(
            (at * every, round(chance.uniform(0.45, 1.0), 2)) for at in range(1, int(seconds / every))
        )
    return Run(
        f"{PREFIX}{number}", "made up by chance", seconds, tuple(does),
        steps=_steps(chance, seconds), rates=rates, wandering=bool(rates), protocol=chance.choice(("ipfix", "ipfix", "netflow")),
        shaped=shaped, backup=Rates(round(chance.uniform(2, 6), 1), round(chance.uniform(0.8, 2), 1)), plan=plan,
    )  # fmt: skip


def _transfer(chance: random.Random, seconds: int, shaped: Rates) -> Does:
    start = round(chance.uniform(0, seconds * 0.6), 1)
    lasting = round(chance.uniform(8, seconds - start - 2), 1)
    host = chance.choice(HOSTS)
    server = chance.choice((FILES, ARCHIVE))
    kind = chance.random()
    if kind < 0.45:
        return downloads(host, start, lasting, chance.randint(1, 6), server=server)
    if kind < 0.65:
        return uploads(host, start, lasting, chance.randint(1, 4))
    if kind < 0.9:
        streams = chance.randint(1, 4)
        mbps = round(shaped.down * chance.uniform(0.1, 0.95) / streams, 2)
        return downloads(host, start, lasting, streams, mbps, server)
    return Does(start, lasting, host, "datagrams", CALLS, (round(shaped.up * chance.uniform(0.2, 1.4), 2),))


def _steps(chance: random.Random, seconds: int) -> tuple[tuple[float, Step], ...]:
    drawn = chance.random()
    begin = round(chance.uniform(10, seconds * 0.5), 1)
    end = round(begin + chance.uniform(10, seconds * 0.45), 1)
    if drawn < 0.12:
        return (begin, "cut main"), (begin + 2, "by backup"), (end, "join main"), (end + 1, "by main")
    if drawn < 0.2:
        return (begin, "cut main"), (begin, "cut backup"), (end, "join main"), (end, "join backup")
    if drawn < 0.26:
        return ((0, "leak"),)
    return ()
