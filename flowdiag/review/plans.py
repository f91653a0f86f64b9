"""What a site would need, and the smallest plan of the catalogue that gives it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from msgspec import Struct

from flowdiag.review.link_figures import LinkFigures

# A plan is meant to last: growth of a year is added where the trend is beyond doubt. Common practice, no source.
HORIZON_MONTHS: Final = 12
# More than doubling in a year is not read off some weeks of a trend.
MOST_GROWTH: Final = 2.0


class Need(Struct, frozen=True):
    """Rates that a plan must offer, in Mbit/s, and the growth that they allow for (1 is none)."""

    down_mbps: float
    up_mbps: float
    growth: float


def growth(figures: LinkFigures) -> float:
    """By which factor use will have grown after HORIZON_MONTHS: by the trend where its whole interval is above nothing."""
    trend = figures.trend
    if trend is None or trend.low <= 0 or trend.level_mbps <= 0:
        return 1.0
    return min(1.0 + trend.slope * HORIZON_MONTHS / trend.level_mbps, MOST_GROWTH)


def need(down: tuple[LinkFigures, float], up: tuple[LinkFigures, float], busy: float) -> Need:
    """What keeps both directions under the busy threshold. down, up: figures, and the percentile to go by."""
    growths = [growth(down[0]), growth(up[0])]
    rates = [mbps * factor / busy for (_, mbps), factor in zip((down, up), growths, strict=True)]
    return Need(rates[0], rates[1], max(growths))


def smallest_plan(
    catalogue: Mapping[str, tuple[float, float]], wanted: Need
) -> tuple[str, tuple[float, float]] | None:
    """The plan with the lowest download rate, of these the lowest upload, that gives what is needed; None without any."""
    enough = [
        (rates, name)
        for name, rates in catalogue.items()
        if rates[0] >= wanted.down_mbps and rates[1] >= wanted.up_mbps
    ]
    if not enough:
        return None
    rates, name = min(enough)
    return name, rates
