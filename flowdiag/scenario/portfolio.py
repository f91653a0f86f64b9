"""Portfolios: many invented sites over months, with growth, seasons, failovers and leaks, and what is right to advise.

A site's demand is drawn for each five minutes; stored_days.py turns it into stored flows. What is right to advise follows
from how a site was drawn (its kind), not from its flows.

Facts the design follows:
- use of an access line follows the working week; from day to day it varies by a tenth or so (common practice, no source);
- a line cannot carry more than its plan: demand above it is cut off a little below (network.DELIVERED);
- kinds keep away from the thresholds by a margin, so that what is right is beyond dispute.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final, Literal
from zoneinfo import ZoneInfo

import numpy as np
from msgspec import Struct
from numpy.random import Generator
from numpy.typing import NDArray

from flowdiag.scenario.network import DELIVERED
from flowdiag.scenario.site import Site, SiteKeepalive, SiteLink

SLOT_MS: Final = 300_000
SLOTS_A_DAY: Final = 288
DAYS_A_MONTH: Final = 30.44

Kind = Literal["outgrown", "nearly", "rising", "runaway", "quiet", "failover", "leak", "new"]
Advice = Literal["upgrade", "tune-first", "watch", "fine", "not-enough-data"]

# What is right to advise for each kind, and how many of a hundred sites are of it.
ADVICE: Final[dict[Kind, Advice]] = {
    "outgrown": "upgrade",
    "nearly": "fine",
    "rising": "watch",
    "runaway": "tune-first",
    "quiet": "fine",
    "failover": "fine",
    "leak": "tune-first",
    "new": "not-enough-data",
}
_SHARES: Final[dict[Kind, int]] = {
    "outgrown": 20, "nearly": 10, "rising": 15, "runaway": 15, "quiet": 24, "failover": 8, "leak": 4, "new": 4,
}  # fmt: skip
# The 95th percentile of the busier direction in the last month, as a part of the plan.
_LEVELS: Final[dict[Kind, tuple[float, float]]] = {
    "outgrown": (0.80, 1.30),
    "nearly": (0.40, 0.55),
    "rising": (0.55, 0.63),
    "runaway": (0.20, 0.45),
    "quiet": (0.08, 0.35),
    "failover": (0.15, 0.45),
    "leak": (0.15, 0.45),
    "new": (0.20, 0.50),
}
# Growth of demand a month.
_GROWTH: Final[dict[Kind, tuple[float, float]]] = {
    "outgrown": (0.01, 0.06),
    "rising": (0.07, 0.12),
}
_LITTLE_GROWTH: Final = (-0.01, 0.01)
PLANS: Final = (("Line 50", 50, 10), ("Line 100", 100, 20), ("Line 250", 250, 50), ("Line 500", 500, 100))
LARGEST_PLAN: Final = ("Line 1000", 1000, 200)
ZONES: Final = ("Pacific/Auckland", "Australia/Sydney", "Asia/Kolkata", "Europe/Paris", "America/Toronto")
NEW_DAYS: Final = 5  # how long a new site has been exporting
_PLACES: Final = ("Kowhai", "Rata", "Totara", "Matai", "Kauri", "Rimu", "Manuka", "Nikau", "Puriri", "Tawa")
_TRADES: Final = ("Clinic", "Print Works", "School", "Joinery", "Law Office", "Vets", "Bakery", "Depot")
# Part of a working day's use in each local hour, and of each weekday from Monday.
_HOURS: Final = np.array(
    [3, 2, 2, 2, 2, 3, 6, 15, 55, 80, 88, 85, 70, 78, 90, 86, 80, 55, 25, 15, 10, 8, 6, 4]
) / 90  # fmt: skip
_WEEKDAYS: Final = np.array([1.0, 1.02, 1.04, 1.0, 0.92, 0.30, 0.25])
_SEASON: Final = 0.04  # of demand, over the year
_DAY_NOISE, _SLOT_NOISE = 0.07, 0.12
BACKUP_MBPS: Final = (30, 6)


class PortfolioSite(Struct, frozen=True, eq=False):
    """One invented site. shares: float64 [link, direction, slot], demand as it was carried, parts of each link's plan;
    job: the same shape, the part of it that one host's runaway job makes; start_ms: of the first slot.

    level: of the busier direction; failovers, leaks: how many days had them.
    """

    number: int
    kind: Kind
    site: Site
    start_ms: int
    shares: NDArray[np.float64]
    job: NDArray[np.float64]
    level: float
    growth_month: float
    failovers: int
    leaks: int

    @property
    def advice(self) -> Advice:
        return ADVICE[self.kind]


def portfolio_site(number: int, first: datetime, days: int, seed: int) -> PortfolioSite:
    """The site of a number, from the UTC midnight `first` on. The same number and seed always give the same site."""
    rng = np.random.default_rng([seed, number])
    kind = _kind(number)
    site = _site(number, rng)
    start_ms = int(first.timestamp() * 1000)
    local = _local_minutes(start_ms, days, site.timezone)
    level = rng.uniform(*_LEVELS[kind])
    growth = rng.uniform(*_GROWTH.get(kind, _LITTLE_GROWTH))
    shape = _shape(rng, local, growth)
    last = max(shape.shape[-1] - 31 * SLOTS_A_DAY, 0)
    busier = int(rng.random() < 0.4)  # which direction is the tighter one
    demand = np.zeros((2, 2, shape.shape[-1]))
    for direction in (0, 1):
        target = level if direction == busier else level * rng.uniform(0.4, 0.8)
        usual = np.percentile(shape[direction, last:], 95, method="inverted_cdf")
        demand[0, direction] = shape[direction] * target / usual
    most: NDArray[np.float64] = np.asarray(rng.uniform(*DELIVERED, shape.shape[-1]))
    np.minimum(demand, most, out=demand)
    job = np.zeros_like(demand)
    if kind == "runaway":
        _run_away(rng, local, demand, job, most)
    failovers = _fail_over(rng, local, site, demand) if kind == "failover" else 0
    leaks = _leak(rng, local, demand) if kind == "leak" else 0
    if kind == "new":
        demand[..., : -NEW_DAYS * SLOTS_A_DAY] = 0
    return PortfolioSite(number, kind, site, start_ms, demand, job, level, growth, failovers, leaks)


def catalogue() -> dict[str, tuple[int, int]]:
    """The plans on offer: download and upload in Mbit/s."""
    return {name: (down, up) for name, down, up in (*PLANS, LARGEST_PLAN)}


def _kind(number: int) -> Kind:
    """Kinds take turns, so that any hundred sites have all of them."""
    wheel = [kind for kind, share in _SHARES.items() for _ in range(share)]
    return wheel[number * 37 % len(wheel)]


def _site(number: int, rng: Generator) -> Site:
    name, down, up = PLANS[int(rng.integers(len(PLANS)))]
    exporter = f"10.{200 + (number >> 16)}.{number >> 8 & 255}.{number & 255}"
    return Site(
        name=f"{_PLACES[number % 10]} {_TRADES[number // 10 % 8]} {number}",
        timezone=ZONES[number % len(ZONES)],
        lan=("192.168.40.0/24",),
        exporter=exporter,
        declared_exporters=(exporter,),
        hours="Mon-Fri 07:00-19:00",
        plan_catalogue=catalogue(),
        links=(
            SiteLink(name, down, up, (2,)),
            SiteLink(
                "cellular", *BACKUP_MBPS, (3,), role="backup", variable=True, allowance_gb=100,
                keepalives=(SiteKeepalive("198.51.100.1", interval_s=300),),
            ),
        ),
    )  # fmt: skip


def _local_minutes(start_ms: int, days: int, timezone: str) -> NDArray[np.int64]:
    """Local minutes since Monday 00:00 of some week, of each slot."""
    zone = ZoneInfo(timezone)
    first = datetime.fromtimestamp(start_ms / 1000, zone)
    minutes = []
    for day in range(days):
        offset = (first + timedelta(days=day)).utcoffset() or timedelta()
        begin = (start_ms // 60_000) + day * 1440 + int(offset.total_seconds()) // 60 + 3 * 1440
        minutes.append(begin + 5 * np.arange(SLOTS_A_DAY))
    return np.concatenate(minutes)


def _shape(rng: Generator, local: NDArray[np.int64], growth: float) -> NDArray[np.float64]:
    """Use over time without its level; float64 [direction, slot]."""
    day = np.arange(len(local)) / SLOTS_A_DAY
    hour = local % 1440 / 60.0
    curve = np.interp(hour, np.arange(25), np.append(_HOURS, _HOURS[0]))
    weekday = _WEEKDAYS[local // 1440 % 7]
    phase = rng.uniform(0, 2 * np.pi)
    slow = (1 + growth) ** (day / DAYS_A_MONTH) * (1 + _SEASON * np.sin(2 * np.pi * day / 365.25 + phase))
    daily = np.exp(rng.normal(0, _DAY_NOISE, int(day[-1]) + 1))[day.astype(int)]
    noise = np.exp(rng.normal(0, _SLOT_NOISE, (2, len(local))))
    shape: NDArray[np.float64] = curve * weekday * slow * daily * noise
    return shape


def _run_away(
    rng: Generator,
    local: NDArray[np.int64],
    demand: NDArray[np.float64],
    job: NDArray[np.float64],
    most: NDArray[np.float64],
) -> None:
    """One host fills the upload for some hours of each working day."""
    begin = rng.uniform(9, 14)
    long = rng.uniform(3, 5)
    hour = local % 1440 / 60.0
    running = (hour >= begin) & (hour < begin + long) & (local // 1440 % 7 < 5)
    job[0, 1, running] = np.maximum(most[running] * 0.98 - demand[0, 1, running], 0)
    demand[0, 1] += job[0, 1]


def _fail_over(rng: Generator, local: NDArray[np.int64], site: Site, demand: NDArray[np.float64]) -> int:
    """Some days, the primary is down for an hour or more within the working day, and the backup carries what it can."""
    days = len(local) // SLOTS_A_DAY
    chosen = rng.choice(days, max(days // 30, 1), replace=False)
    count = 0
    for day in sorted(chosen.tolist()):
        slots = np.arange(day * SLOTS_A_DAY, (day + 1) * SLOTS_A_DAY)
        at_work = slots[(local[slots] % 1440 >= 9 * 60) & (local[slots] % 1440 < 14 * 60)]
        if len(at_work) < 40:  # the local morning is cut by the UTC day
            continue
        down = slice(int(at_work[0]), int(at_work[0]) + int(rng.integers(12, 24)))
        for direction in (0, 1):
            ratio = site.links[0].capacity_mbps(direction) / site.links[1].capacity_mbps(direction)
            demand[1, direction, down] = np.minimum(demand[0, direction, down] * ratio, 0.97)
        demand[0, :, down] = 0
        count += 1
    return count


def _leak(rng: Generator, local: NDArray[np.int64], demand: NDArray[np.float64]) -> int:
    """Each day one device uses the backup for some hours while the primary works."""
    hour = local % 1440 / 60.0
    leaking = (hour >= 10) & (hour < 13)
    demand[1, :, leaking] = rng.uniform(0.12, 0.18)
    return len(local) // SLOTS_A_DAY
