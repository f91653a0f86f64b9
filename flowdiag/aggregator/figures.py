"""Figures of one window, as the note and the commands show them: per link and direction, and ranked rows."""

from __future__ import annotations

from msgspec import Struct


class DirectionFigures(Struct, frozen=True):
    """Rates in Mbit/s with the link's framing; octets are IP octets scaled for sampling.

    peak_mbps: of the highest window, which begins at peak_ms and of which peak_window_s count; p95_mbps: nearest-rank 95th
    percentile of five-minute rates, of all windows where there are fewer than three; minutes are minutes of 60 s, of
    windows at or over the threshold.
    """

    capacity_mbps: float
    mean_mbps: float
    p95_mbps: float
    peak_mbps: float
    octets: int
    busy_minutes: float  # includes the full ones
    full_minutes: float
    peak_ms: int = 0
    peak_window_s: float = 60.0


class LinkFigures(Struct, frozen=True):
    name: str
    role: str
    down: DirectionFigures
    up: DirectionFigures


class Ranked(Struct, frozen=True):
    """One row of a ranking. key: an address as text, or an application's name; share: of all octets, 0 to 1."""

    key: str
    label: str | None
    octets: int
    packets: int
    flows: int
    share: float
