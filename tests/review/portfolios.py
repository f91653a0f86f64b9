"""Small portfolios for the tests."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from flowdiag.collector.store.rolling import Roller
from flowdiag.scenario.portfolio import Kind, PortfolioSite, portfolio_site
from flowdiag.scenario.site import profile_toml
from flowdiag.scenario.stored_days import Written, write_portfolio
from flowdiag.site.profile import Profile
from flowdiag.site.reading import profile_from_text

FIRST = datetime(2026, 3, 1, tzinfo=UTC)
FIRST_MS = int(FIRST.timestamp()) * 1000
DAY_MS = 86_400_000


def profile_of(drawn: PortfolioSite) -> Profile:
    return profile_from_text(profile_toml(drawn.site), "site.toml")


def small(folder: Path, sites: int = 2, days: int = 3, **more: Any) -> Written:
    return write_portfolio(folder, sites, FIRST, days, **more)


def of_kinds(folder: Path, kinds: Sequence[Kind], days: int, roller: Roller | None = None) -> Written:
    """A portfolio with one site of each kind, numbered in that order."""
    found: dict[Kind, int] = {}
    for number in range(100):
        drawn = portfolio_site(number, FIRST, 1, 1)
        found.setdefault(drawn.kind, number)
    return write_portfolio(folder, [found[kind] for kind in kinds], FIRST, days, roller=roller)
