"""The site profile: what a site bought, how its links are numbered, and who is inside. (TOML, see docs/.)

Every key carries two texts: its description (what it means) and an Allowed mark (which values it takes).
The error lines of a wrong profile and the reference page are drawn from them, so neither can fall behind.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Annotated, Any, Final, Literal, Self, TypeVar, get_args

from msgspec import Struct
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from flowdiag.errors import ProfileError
from flowdiag.site.hours import parse_hours
from flowdiag.site.values import check_address, check_lan, check_name, check_network, check_time_zone, shown

MAX_LINKS: Final = 64  # the flow shape numbers links in 8 bits; a site has a handful
MAX_INTERFACES: Final = 256  # a link with VLAN subinterfaces has some tens
MAX_KEEPALIVES: Final = 32
MAX_EXPORTERS: Final = 256
MAX_PREFIXES: Final = 4096
MAX_APPLICATIONS: Final = 1024
MAX_PORTS: Final = 1024  # of one application
MAX_IFINDEX: Final = 2**31 - 1  # RFC 2863: InterfaceIndex is 1..2147483647
MAX_MBPS: Final = 10_000_000.0  # ten terabit a second: above any access link
MAX_INTERVAL_S: Final = 86_400.0  # a keepalive once a day tells nothing
MAX_PACKET: Final = 65_535  # RFC 791: total length
MAX_ALLOWANCE_GB: Final = 1_000_000_000.0

Kind = Literal[
    "web", "video calls", "voice", "file synchronisation", "backup", "software update", "remote desktop", "VPN",
    "mail", "name service", "file sharing", "peer to peer", "network", "other",
]  # fmt: skip
Framing = Literal["ip", "ethernet", "wire", "pppoe"]
Role = Literal["primary", "backup"]


class Allowed(Struct, frozen=True):
    """Which values a key takes, in words that fit behind "expected"."""

    text: str


def _bounded(count: int) -> Any:
    return Field(max_length=count)


def _pair(value: object) -> object:
    """TOML has no tuples: a list of two is meant."""
    return tuple(value) if isinstance(value, list) else value


Name = Annotated[str, AfterValidator(check_name), Allowed("text of 1 to 200 characters")]
Rate = Annotated[float, Field(gt=0, le=MAX_MBPS), Allowed("a rate in Mbit/s above 0")]
OptionalRate = Annotated[float | None, Field(gt=0, le=MAX_MBPS), Allowed("a rate in Mbit/s above 0")]
Interface = Annotated[int, Field(ge=1, le=MAX_IFINDEX)]
Address = Annotated[
    str, AfterValidator(check_address), Allowed('an IPv4 or IPv6 address such as "192.0.2.10"')
]
Network = Annotated[
    str, AfterValidator(check_network), Allowed('an address or a network in CIDR form such as "192.0.2.0/24"')
]
LanNetwork = Annotated[str, AfterValidator(check_lan)]
Fraction = Annotated[float, Field(gt=0, le=1), Allowed("a fraction above 0 and up to 1")]
PlanRates = Annotated[tuple[Rate, Rate], BeforeValidator(_pair)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class Keepalive(_Model):
    destination: Address = Field(description="whom the router probes over the backup")
    protocol: Annotated[Literal["icmp", "udp", "tcp"], Allowed("icmp, udp or tcp")] = Field(
        description="protocol of the probe"
    )
    port: Annotated[
        int, Field(ge=0, le=65_535), Allowed("a port from 1 to 65535 for udp and tcp, 0 for icmp")
    ] = Field(default=0, description="destination port of the probe")
    interval_s: Annotated[
        float, Field(gt=0, le=MAX_INTERVAL_S), Allowed("seconds, above 0 and up to 86400 (a day)")
    ] = Field(description="seconds from one probe to the next")
    packet_bytes: Annotated[
        int | None, Field(ge=20, le=MAX_PACKET), Allowed("IP octets of one probe, 20 to 65535")
    ] = Field(default=None, description="IP octets of one probe, header included")

    @model_validator(mode="after")
    def _port_fits_protocol(self) -> Self:
        if self.protocol == "icmp" and self.port:
            raise at_odds([(("port",), f"icmp has no ports, but {self.port} is given")])
        if self.protocol != "icmp" and not self.port:
            raise at_odds([(("port",), f"a {self.protocol} keepalive needs its port")])
        return self


class Link(_Model):
    name: Name = Field(description="what the link is called in notes")
    role: Annotated[Role, Allowed("primary or backup")] = Field(
        default="primary", description="whether it carries the site's traffic or waits for a failure"
    )
    interfaces: Annotated[
        list[Interface],
        _bounded(MAX_INTERFACES),
        Allowed("a list of ifIndex numbers of 1 and up such as [2]"),
    ] = Field(description="ifIndex values on the exporter; empty only where the export tells none")
    # A profile fresh from a draft has no plan rates: they are read by the properties below.
    given_down_mbps: OptionalRate = Field(
        default=None,
        alias="down_mbps",
        description="download rate of the plan; whatever judges against it asks for it",
    )
    given_up_mbps: OptionalRate = Field(
        default=None, alias="up_mbps", description="upload rate of the plan; as down_mbps"
    )
    framing: Annotated[Framing, Allowed("ip, ethernet, wire or pppoe")] = Field(
        default="ethernet", description="what the plan rate counts for each packet"
    )
    variable: Annotated[bool, Allowed("true or false")] = Field(
        default=False, description="true where the rate is 'typical', as on cellular or satellite"
    )
    allowance_gb: Annotated[
        float | None, Field(gt=0, le=MAX_ALLOWANCE_GB), Allowed("gigabytes (10^9 octets) a month, above 0")
    ] = Field(default=None, description="monthly data allowance")
    keepalive: Annotated[list[Keepalive], _bounded(MAX_KEEPALIVES), Allowed("[[link.keepalive]] tables")] = (
        Field(default=[], description="probes that should run over an idle backup")
    )

    @property
    def down_mbps(self) -> float:
        """Download rate of the plan, Mbit/s. Raises ProfileError where the profile gives none."""
        return self._plan_rate("down_mbps", self.given_down_mbps)

    @property
    def up_mbps(self) -> float:
        """Upload rate of the plan, Mbit/s. Raises ProfileError where the profile gives none."""
        return self._plan_rate("up_mbps", self.given_up_mbps)

    def _plan_rate(self, key: str, given: float | None) -> float:
        """What is compared with a rate that nobody gave would be a guess told as a fact: it stops here."""
        if given is None:
            raise ProfileError(
                f"link {shown(self.name)}: {key}: is missing", expected="the plan's rate in Mbit/s"
            )
        return given

    @model_validator(mode="after")
    def _keepalives_are_for_backups(self) -> Self:
        if self.keepalive and self.role == "primary":
            raise at_odds(
                [(("keepalive",), "keepalives are checked on backup links only, and this one is primary")]
            )
        return self


class Label(_Model):
    network: Network = Field(description="address or network to be named")
    name: Name = Field(description="its name in notes")


PortNumber = Annotated[int, Field(ge=1, le=65_535)]
Ports = Annotated[
    list[PortNumber], _bounded(MAX_PORTS), Allowed("a list of ports from 1 to 65535 such as [5000, 5001]")
]


class Application(_Model):
    """A name for services of the site's own, beside those that the program knows."""

    name: Name = Field(
        description="what the application is called; also the name that the exporter may give it"
    )
    kind: Annotated[Kind, Allowed(", ".join(get_args(Kind)))] = Field(
        default="other", description="what it is, in plain words"
    )
    tcp: Ports = Field(default=[], description="TCP ports of its servers")
    udp: Ports = Field(default=[], description="UDP ports of its servers")


class Thresholds(_Model):
    """Defaults that a profile may override. A description ends with where its default comes from."""

    full: Fraction = Field(
        default=0.90,
        description="share of the plan rate from which a minute counts as full (common practice)",
    )
    busy: Fraction = Field(
        default=0.70,
        description="share of the plan rate from which a minute counts as busy (common practice)",
    )

    flapping_failovers: int = Field(
        default=3,
        description="failovers within an hour that make a line unsteady (common practice)",
    )
    leak_share: Fraction = Field(
        default=0.05,
        description="part of the ordinary octets from which a leak may explain a complaint (common practice)",
    )
    outage_minutes: float = Field(
        default=3.0,
        description="minutes without any traffic that make an outage (as for every sustained finding)",
    )
    keepalive_missing_intervals: float = Field(
        default=3.0,
        description="intervals without a keepalive that mean missing (three missed hellos: common practice)",
    )
    keepalive_irregular_part: Fraction = Field(
        default=0.2,
        description="part of the interval by which a cadence may be off (common practice)",
    )
    keepalive_excess_times: float = Field(
        default=10.0,
        description="times its budget from which a keepalive is in excess (common practice)",
    )
    unanswered_attempts: int = Field(
        default=30,
        description="connection attempts in vain that are worth a finding (common practice)",
    )
    unanswered_share: Fraction = Field(
        default=0.5,
        description="part of the attempts on a place or service that must be in vain (common practice)",
    )
    flood_sources: int = Field(
        default=100,
        description="addresses a minute that send unasked to one target (common practice)",
    )
    flood_packets_s: float = Field(
        default=500.0,
        description="unasked packets a second to one target (common practice)",
    )
    flood_half_open_s: float = Field(
        default=50.0,
        description="connections a second that one target is left with half open, or unasked answers of services "
        "(common practice)",
    )
    scan_addresses: int = Field(
        default=200,
        description="addresses that one host tries in vain within ten minutes, or 2.5 times as many in an hour "
        "(common practice)",
    )
    below_plan: Fraction = Field(
        default=0.85,
        description="share of the plan rate that a level must stay under to be a fault (common practice)",
    )
    below_plan_variable: Fraction = Field(
        default=0.60,
        description="the same on a link whose rate is only typical (common practice)",
    )
    single_host: Fraction = Field(
        default=0.5,
        description="part of the window's octets above which one host has most of them (the word most)",
    )
    gap: Fraction = Field(
        default=0.05,
        description="part of the window or of the records from which a gap is a warning (common practice)",
    )

    @field_validator("*")
    @classmethod
    def _above_zero(cls, value: object) -> object:
        if isinstance(value, int | float) and value <= 0:
            raise ValueError(f"{value!r} is not above 0")
        return value

    @model_validator(mode="after")
    def _busy_below_full(self) -> Self:
        if self.busy >= self.full:
            raise at_odds([(("busy",), f"busy ({self.busy:g}) has to be below full ({self.full:g})")])
        return self


class Site(_Model):
    name: Name = Field(description="what the site is called in notes")
    timezone: Annotated[
        str, AfterValidator(check_time_zone), Allowed('an IANA time zone such as "Pacific/Auckland"')
    ] = Field(default="UTC", description="zone in which the site's times are given")
    lan: Annotated[
        list[LanNetwork], _bounded(MAX_PREFIXES), Allowed('a list of networks such as ["192.168.40.0/24"]')
    ] = Field(default=[], description="networks inside the site")
    exporters: Annotated[
        list[Address], _bounded(MAX_EXPORTERS), Allowed('a list of addresses such as ["192.0.2.10"]')
    ] = Field(default=[], description="only these exporters belong to the site; all when empty")
    hours: Annotated[str | None, Allowed('hours such as "Mon-Fri 08:00-18:00" or "24/7"')] = Field(
        default=None,
        description='working hours; "Mon-Fri 18:00-08:00" is five nights, the last one until Saturday 08:00',
    )

    upstream: Annotated[Name | None, Allowed("text of 1 to 200 characters")] = Field(
        default=None,
        description="what the site's primary link hangs on, such as an exchange or a mast, by a name of your own; where "
        "several sites of one upstream have the same trouble at once, a watch tells it once",
    )
    pseudonyms: Annotated[bool, Allowed("true or false")] = Field(
        default=False,
        description="true where the site's own people, who read their notes at the desk, get pseudonyms in place of addresses",
    )

    @field_validator("hours")
    @classmethod
    def _hours_can_be_read(cls, value: str | None) -> str | None:
        if value is not None:
            parse_hours(value)
        return value

    @property
    def exporter_octets(self) -> frozenset[bytes] | None:
        """`exporters` as 16 octets each; None where the profile names none, which means all."""
        # Loads numpy, which a profile that is wrong need not wait for.
        from flowdiag.addresses import to_bytes

        return frozenset(map(to_bytes, self.exporters)) or None


class Profile(_Model):
    site: Annotated[Site, Allowed("a [site] table with at least a name")]
    link: Annotated[list[Link], _bounded(MAX_LINKS), Allowed("[[link]] tables")] = []
    label: Annotated[list[Label], _bounded(MAX_PREFIXES), Allowed("[[label]] tables")] = []
    application: Annotated[
        list[Application], _bounded(MAX_APPLICATIONS), Allowed("[[application]] tables")
    ] = []
    plan_catalogue: Annotated[
        dict[Name, PlanRates],
        Allowed('plans such as "Fibre 250" = [250, 100], download and upload in Mbit/s'),
    ] = Field(default_factory=dict, description="plans on offer, for review")
    thresholds: Annotated[Thresholds, Allowed("a [thresholds] table")] = Thresholds()

    @model_validator(mode="after")
    def _parts_agree(self) -> Self:
        found = [
            *links_at_odds(list(enumerate(self.link))),
            *labels_at_odds(list(enumerate(self.label))),
            *applications_at_odds(list(enumerate(self.application))),
        ]
        if found:
            raise at_odds(found)
        return self

    def without_plan(self) -> list[tuple[int, int]]:
        """(position of the link, direction 0 down or 1 up) of each plan rate that is not given."""
        return [
            (number, direction)
            for number, link in enumerate(self.link)
            for direction, given in enumerate((link.given_down_mbps, link.given_up_mbps))
            if given is None
        ]


# Keys and positions that lead to a value: ("link", 0, "down_mbps").
KeyPath = tuple[str | int, ...]
AT_ODDS: Final = "at_odds"


def at_odds(found: Sequence[tuple[KeyPath, str]]) -> PydanticCustomError:
    """One error for values that are fine alone but not together: (path below the model, what is wrong)."""
    return PydanticCustomError(
        AT_ODDS, "{text}", {"text": "; ".join(text for _, text in found), "found": list(found)}
    )


def links_at_odds(
    links: Sequence[tuple[int, Link]], *, complete: bool = True
) -> Iterator[tuple[KeyPath, str]]:
    """What is wrong between links, given with their position in the profile.

    complete: these are all links of the profile, not only those that are right by themselves.
    """
    for number, link, first in _repeated((n, link, link.name.casefold()) for n, link in links):
        yield ("link", number, "name"), f'link[{first + 1}] is called "{link.name}" too'
    used = ((n, link, index) for n, link in links for index in dict.fromkeys(link.interfaces))
    owners: dict[int, int] = {}
    for number, _, index in used:
        if owners.setdefault(index, number) != number:
            yield (
                ("link", number, "interfaces"),
                f"interface {index} belongs to link[{owners[index] + 1}] already",
            )
    for number, link in links:
        if not link.interfaces and len(links) > 1:
            yield ("link", number, "interfaces"), "only a site's single link can do without interface numbers"
    if complete and links and all(link.role == "backup" for _, link in links):
        yield ("link", links[0][0], "role"), "no link is the primary one"


def labels_at_odds(labels: Sequence[tuple[int, Label]]) -> Iterator[tuple[KeyPath, str]]:
    """Networks that have two names."""
    for number, label, first in _repeated((n, label, label.network) for n, label in labels):
        yield ("label", number, "network"), f"label[{first + 1}] names {label.network} already"


def applications_at_odds(
    applications: Sequence[tuple[int, Application]],
) -> Iterator[tuple[KeyPath, str]]:
    """Names given twice, and ports of two applications."""
    for number, _, first in _repeated((n, own, own.name.casefold()) for n, own in applications):
        yield ("application", number, "name"), f"application[{first + 1}] has this name too"
    for protocol in ("tcp", "udp"):
        owners: dict[int, int] = {}
        for number, own in applications:
            for port in getattr(own, protocol):
                if owners.setdefault(port, number) != number:
                    first = owners[port] + 1
                    yield (
                        ("application", number, protocol),
                        f"port {port} belongs to application[{first}] already",
                    )


_Part = TypeVar("_Part")


def _repeated(parts: Iterable[tuple[int, _Part, str]]) -> Iterator[tuple[int, _Part, int]]:
    """(position, part, position of the first part with the same key) of parts that repeat a key."""
    seen: dict[str, int] = {}
    for number, part, key in parts:
        if seen.setdefault(key, number) != number:
            yield number, part, seen[key]
