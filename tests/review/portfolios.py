"""Small portfolios for the tests."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from flowdiag.scenario.portfolio import PortfolioSite, portfolio_site
from flowdiag.scenario.site import profile_toml
from flowdiag.scenario.stored_days import Written, write_portfolio
from flowdiag.site.profile import Profile
from flowdiag.site.reading import profile_from_text

FIRST = datetime(2026, 3, 1, tzinfo=UTC)
FIRST_MS = int(FIRST.timestamp()) * 1000
DAY_MS = 86_400_000


def first_of_kind(kind: str, days: int = 1, seed: int = 1) -> PortfolioSite:
    return next(
        drawn for number in range(100) if (drawn := portfolio_site(number, FIRST, days, seed)).kind == kind
    )


def profile_of(drawn: PortfolioSite) -> Profile:
    return profile_from_text(profile_toml(drawn.site), "site.toml")


def small(folder: Path, sites: int = 2, days: int = 3, **more: int) -> Written:
    return write_portfolio(folder, sites, FIRST, days, **more)
