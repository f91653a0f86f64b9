"""Figures as people read them, in sentences and tables of every command: shares, rates, volumes, numbers of things."""

from __future__ import annotations

from typing import Final

RATE_UNIT: Final = "Mbit/s"


def percent(share: float) -> str:
    """Whole per cent; under one, "under 1%"; never "100%" for less than all."""
    if 0.0 < share < 0.01:
        return "under 1%"
    return "99%" if 0.99 < share < 1.0 else f"{share:.0%}"


def fine_percent(share: float) -> str:
    """For small shares: one decimal under ten per cent."""
    if 0.0 < share < 0.001:
        return "under 0.1%"
    return f"{share:.1%}" if share < 0.1 else percent(share)


def tenths(share: float) -> str:
    """For columns of shares that are to add up: one decimal, 35.2%."""
    return f"{share:.1%}"


def three_digits(share: float) -> str:
    """A share behind a guess: up to three figures, 0.5%, 35.2%, 100%."""
    return f"{100 * share:.3g}%"


def rate(mbps: float) -> str:
    """Three figures or so, as much as one-minute means support; small rates in kbit/s."""
    if 0.0 < mbps < 0.01:
        return f"{mbps * 1000:.1f} kbit/s" if mbps >= 0.00005 else "under 0.1 kbit/s"
    if mbps >= 99.95:
        return f"{mbps:,.0f} Mbit/s"
    return f"{mbps:.1f} Mbit/s" if mbps >= 9.95 else f"{mbps:.2f} Mbit/s"


def bare_rate(mbps: float | None, under: str = "under ") -> str:
    """Mbit/s in a column that says so, about three figures: 102, 61.0, 0.50, under 0.01, 0; "-" where it is not known.

    under: how "less than" is written; "<" in narrow columns.
    """
    if mbps is None:
        return "-"
    if mbps <= 0:
        return "0"
    return rate(mbps).removesuffix(" Mbit/s") if mbps >= 0.01 else f"{under}0.01"


def plan_rate(mbps: float) -> str:
    """A rate of a plan, as plans are written: 20 Mbit/s, 17.5 Mbit/s."""
    return f"{mbps:,.0f} Mbit/s" if mbps >= 999.5 else f"{mbps:.4g} Mbit/s"


def plain_rate(mbps: float) -> str:
    """Mbit/s of a plan without its unit, as plans are written: 100, 17.5, 0.5."""
    return plan_rate(mbps).removesuffix(" Mbit/s")


def count(number: int, noun: str, plural: str | None = None) -> str:
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {plural or noun + 's'}"


def volume(octets: float) -> str:
    """Decimal units, as data allowances are sold; always three figures, which keeps columns even."""
    for unit, size in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if octets >= size:
            value = octets / size
            return f"{value:,.0f} {unit}" if value >= 99.95 else f"{value:#.3g} {unit}"
    return count(round(octets), "octet")


def three_figures(value: float) -> str:
    """0.0123, 1.5, 324; a thousand and more in full: 1,235."""
    return f"{value:,.0f}" if value >= 999.5 else f"{value:.3g}"
