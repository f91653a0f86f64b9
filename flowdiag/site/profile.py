"""The site profile: what a site bought, how its links are numbered, and who is inside. (TOML, see docs/.)"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

Framing = Literal["ip", "ethernet", "wire", "pppoe"]
Role = Literal["primary", "backup"]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Keepalive(_Model):
    destination: str
    protocol: Literal["icmp", "udp", "tcp"]
    port: int = 0
    interval_s: float
    packet_bytes: int | None = None


class Link(_Model):
    name: str
    role: Role = "primary"
    interfaces: list[int]
    down_mbps: float
    up_mbps: float
    framing: Framing = "ethernet"
    variable: bool = False
    allowance_gb: float | None = None
    keepalive: list[Keepalive] = []


class Label(_Model):
    network: str
    name: str


class Thresholds(_Model):
    """Defaults that a profile may override; each is explained in docs/."""

    full: float = 0.90
    busy: float = 0.70
    flapping_failovers: int = 3  # failovers within an hour that make a line unsteady; common practice, no source
    leak_share: float = 0.05  # part of the site's ordinary octets from which a leak may explain a complaint
    outage_minutes: float = 3.0  # as long as every other sustained finding
    keepalive_missing_intervals: float = 3.0  # three missed hellos mean down; common practice
    keepalive_irregular_part: float = 0.2  # cadence off its interval by more than this part; common practice
    keepalive_excess_times: float = 10.0  # times the budget of packets or octets
    unanswered_attempts: int = 30  # attempts without an answer; common practice, no source
    unanswered_share: float = 0.5  # part of the attempts on that service or place
    flood_sources: int = 100  # addresses a minute that send unasked to one target; common practice, no source
    flood_packets_s: float = 500.0  # unasked packets a second: fifty times the noise of a public address
    scan_addresses: int = 200  # addresses tried in vain by one host within ten minutes; common practice


class Site(_Model):
    name: str
    timezone: str = "UTC"
    lan: list[str] = []
    exporters: list[str] = []
    hours: str | None = None


class Profile(_Model):
    site: Site
    link: list[Link] = []
    label: list[Label] = []
    plan_catalogue: dict[str, tuple[float, float]] = Field(default_factory=dict)
    thresholds: Thresholds = Thresholds()
