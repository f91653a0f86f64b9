"""What is told of a stay on the backup, for whoever asked whether the backup works: small values that can be written down."""

from __future__ import annotations

from typing import Final, Literal

from msgspec import Struct

from flowdiag.diagnoser.finding import Confidence

SCHEMA: Final = "flowdiag.drill/1"
# What the keepalives of the backup showed before the change: answered; sent and not answered; not seen; the profile lists none;
# or packets are sampled, so that absence proves nothing.
Tested = Literal["answered", "unanswered", "missing", "none", "sampled"]


class CallsOver(Struct, frozen=True):
    """Calls over one change, as signals/changeover.py has them."""

    before: int
    went_on: int
    anew: int
    unsure: str | None = None


class Way(Struct, frozen=True):
    """One direction of the backup. octets: IP octets; rates in Mbit/s: mean of IP octets, peak with framing, of the highest
    minute; full_minutes: at the limit; above_octets: offered beyond the plan, framing included, by whole minutes;
    before_mean_mbps, before_peak_mbps: of the main line in before_minutes before the change; None where nothing is known
    of them; before_over_minutes: of these, how many had more than the backup's plan."""

    direction: Literal["down", "up"]
    octets: int
    mean_mbps: float
    peak_mbps: float
    plan_mbps: float
    full_minutes: float
    above_octets: int
    before_mean_mbps: float | None
    before_peak_mbps: float | None
    before_minutes: int
    before_over_minutes: int


class Share(Struct, frozen=True):
    """name: of an inside host or an application; share: of the octets."""

    name: str
    share: float


class Drill(Struct, frozen=True):
    """stopped_ms: when the main line brought something last, None where the records begin on the backup; backup_ms: when the
    backup carried something first; back_ms: when the main line did again, None where it has not; carried_until_ms: until when
    the backup's figures reach. gap_ms, return_gap_ms: how long nothing ordinary was carried. calls: at the change;
    return_calls: at the return; None where it cannot be told. tested_ms: when a keepalive was answered, or else sent, last.
    resolution_s: of the records; lost_share: of them."""

    site: str
    timezone: str
    backup: str
    main: tuple[str, ...]
    stopped_ms: int | None
    backup_ms: int
    back_ms: int | None
    carried_until_ms: int
    gap_ms: int | None
    return_gap_ms: int | None
    calls: CallsOver | None
    return_calls: CallsOver | None
    ways: tuple[Way, ...]
    was_full: bool
    hosts: tuple[Share, ...]
    applications: tuple[Share, ...]
    tested: Tested
    tested_ms: int | None
    confidence: Confidence
    doubts: tuple[str, ...]
    resolution_s: int
    lost_share: float
    variable: bool = False
