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
