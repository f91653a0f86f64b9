"""What the sentences of a review have to know of its figures. The values of review/ have these attributes, and say what they
mean.
"""

from __future__ import annotations

from typing import Protocol


class Need(Protocol):
    @property
    def down_mbps(self) -> float: ...

    @property
    def up_mbps(self) -> float: ...

    @property
    def growth(self) -> float: ...


class TopTalker(Protocol):
    @property
    def address(self) -> bytes: ...

    @property
    def share(self) -> float: ...

    @property
    def p95_without_mbps(self) -> float: ...


class Months(Protocol):
    @property
    def expected(self) -> float | None: ...

    @property
    def soonest(self) -> float | None: ...

    @property
    def latest(self) -> float | None: ...


class Trend(Protocol):
    @property
    def slope(self) -> float: ...

    @property
    def low(self) -> float: ...

    @property
    def high(self) -> float: ...

    @property
    def middle(self) -> tuple[float, float]: ...

    @property
    def is_sure(self) -> bool: ...

    def percent(self, slope: float) -> float: ...


class LinkFigures(Protocol):
    """Of one link direction."""

    @property
    def name(self) -> str: ...

    @property
    def direction(self) -> str: ...

    @property
    def capacity_mbps(self) -> float: ...

    @property
    def p95_mbps(self) -> float: ...

    @property
    def share(self) -> float: ...

    @property
    def busy_hours(self) -> float: ...

    @property
    def full_hours(self) -> float: ...

    @property
    def work_p95_mbps(self) -> float | None: ...

    @property
    def busy_hour(self) -> int | None: ...

    @property
    def busy_hour_p95_mbps(self) -> float: ...

    @property
    def episodes(self) -> int: ...

    @property
    def episode_days(self) -> int: ...

    @property
    def episode_minutes(self) -> int: ...

    @property
    def months(self) -> Months | None: ...

    @property
    def coverage(self) -> float: ...


class BackupFigures(Protocol):
    @property
    def month(self) -> str: ...

    @property
    def failovers(self) -> int: ...

    @property
    def days(self) -> int: ...

    @property
    def hours_on_backup(self) -> float: ...

    @property
    def leaked_octets(self) -> float: ...

    @property
    def allowance_gb(self) -> float | None: ...

    @property
    def allowance_used(self) -> float | None: ...

    @property
    def allowance_projected(self) -> float | None: ...

    @property
    def fit_days(self) -> int: ...

    @property
    def fit_down(self) -> int: ...

    @property
    def fit_up(self) -> int: ...

    @property
    def silent_hours(self) -> float: ...
