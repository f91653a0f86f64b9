"""An invented site: what it bought, how its router numbers the links, and who is inside; written as a site
profile.
"""

from __future__ import annotations

import json
from typing import Final, Literal

from msgspec import Struct, field

Framing = Literal["ip", "ethernet", "wire", "pppoe"]

# Octets that each packet takes beside its IP octets, and the least IP octets that count, by what the plan's
# rate counts (IEEE 802.3: 18 for header and check sequence, 20 more on the wire, payload at least 46; RFC
# 2516: 8 for PPPoE).
OVERHEAD_OCTETS: Final[dict[Framing, int]] = {"ip": 0, "ethernet": 18, "wire": 38, "pppoe": 46}
LEAST_OCTETS: Final[dict[Framing, int]] = {"ip": 0, "ethernet": 46, "wire": 46, "pppoe": 38}


class SiteKeepalive(Struct, frozen=True):
    destination: str
    protocol: Literal["icmp", "udp", "tcp"] = "icmp"
    port: int = 0
    interval_s: float = 10
    packet_bytes: int | None = 84


class SiteLink(Struct, frozen=True):
    """A link of the plan. interfaces: ifIndex values; traffic uses the first unless a situation says otherwise."""

    name: str
    down_mbps: float
    up_mbps: float
    interfaces: tuple[int, ...] = (2,)
    role: Literal["primary", "backup"] = "primary"
    framing: Framing = "ethernet"
    variable: bool = False
    allowance_gb: float | None = None
    keepalives: tuple[SiteKeepalive, ...] = ()

    def capacity_mbps(self, direction: int) -> float:
        """Plan rate of direction 0 (down) or 1 (up)."""
        return self.up_mbps if direction else self.down_mbps


class Site(Struct, frozen=True):
    """exporter: the router's address; declared_exporters: what the profile lists (empty: it lists none); upstream: what it is
    behind, with other sites."""

    name: str
    links: tuple[SiteLink, ...]
    timezone: str = "UTC"
    lan: tuple[str, ...] = ("192.168.40.0/24",)
    exporter: str = "192.0.2.10"
    declared_exporters: tuple[str, ...] = ()
    hours: str | None = None
    upstream: str | None = None
    labels: tuple[tuple[str, str], ...] = ()
    lan_interface: int = 1
    thresholds: dict[str, float] = field(default_factory=dict)
    plan_catalogue: dict[str, tuple[int, int]] = field(default_factory=dict)


def profile_toml(site: Site) -> str:
    """The site profile as TOML text; keys with their default are left out."""
    lines = ["[site]", f"name = {_quoted(site.name)}", f"timezone = {_quoted(site.timezone)}"]
    if site.lan:
        lines.append(f"lan = [{', '.join(map(_quoted, site.lan))}]")
    if site.declared_exporters:
        lines.append(f"exporters = [{', '.join(map(_quoted, site.declared_exporters))}]")
    if site.hours:
        lines.append(f"hours = {_quoted(site.hours)}")
    if site.upstream:
        lines.append(f"upstream = {_quoted(site.upstream)}")
    for link in site.links:
        lines += ["", "[[link]]", *_link_lines(link)]
    for network, name in site.labels:
        lines += ["", "[[label]]", f"network = {_quoted(network)}", f"name = {_quoted(name)}"]
    if site.plan_catalogue:
        lines += ["", "[plan_catalogue]"]
        lines += [f"{_quoted(name)} = {list(rates)!r}" for name, rates in site.plan_catalogue.items()]
    if site.thresholds:
        lines += ["", "[thresholds]", *(f"{key} = {value!r}" for key, value in site.thresholds.items())]
    return "\n".join(lines) + "\n"


def _link_lines(link: SiteLink) -> list[str]:
    lines = [
        f"name = {_quoted(link.name)}",
        f"role = {_quoted(link.role)}",
        f"interfaces = [{', '.join(map(str, link.interfaces))}]",
        f"down_mbps = {link.down_mbps!r}",
        f"up_mbps = {link.up_mbps!r}",
        f"framing = {_quoted(link.framing)}",
    ]
    if link.variable:
        lines.append("variable = true")
    if link.allowance_gb is not None:
        lines.append(f"allowance_gb = {link.allowance_gb!r}")
    for keepalive in link.keepalives:
        lines += [
            "",
            "  [[link.keepalive]]",
            f"  destination = {_quoted(keepalive.destination)}",
            f"  protocol = {_quoted(keepalive.protocol)}",
            f"  port = {keepalive.port}",
            f"  interval_s = {keepalive.interval_s!r}",
        ]
        if keepalive.packet_bytes is not None:
            lines.append(f"  packet_bytes = {keepalive.packet_bytes}")
    return lines


def _quoted(text: str) -> str:
    return json.dumps(text)  # a JSON string is a TOML basic string
