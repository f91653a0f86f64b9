"""Figures of one window, as the note and the commands show them: per link and direction, and ranked rows."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class DirectionFigures:
    """Rates in Mbit/s with the link's framing; octets are IP octets scaled for sampling; minutes are whole windows."""

    capacity_mbps: float
    mean_mbps: float
    p95_mbps: float  # nearest-rank 95th percentile of five-minute rates
    peak_mbps: float
    octets: int
    busy_minutes: int  # includes the full ones
    full_minutes: int


@dataclass(frozen=True)
class LinkFigures:
    name: str
    role: str
    down: DirectionFigures
    up: DirectionFigures


@dataclass(frozen=True)
class Ranked:
    """One row of a ranking. key: an address as text, or an application's name; share: of all octets, 0 to 1."""

    key: str
    label: str | None
    octets: int
    packets: int
    flows: int
    share: float
