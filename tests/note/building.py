"""Diagnoses by hand: rates minute by minute, and the findings that a note is to tell.

Times are minutes after Tuesday 3 March 2026, 13:00 in Auckland (00:00 UTC). The site has a primary `fibre` of
100/20 Mbit/s and a backup `lte` of 30/5 Mbit/s; plans count IP octets.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from ipaddress import ip_address
from typing import Any

import numpy as np
from msgspec.structs import replace

from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.link_figures import link_figures
from flowdiag.aggregator.ranking import rank_applications, rank_destinations, rank_talkers
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.usage import Usage
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.diagnoser.finding import Finding, Verdict
from flowdiag.note import charting
from flowdiag.note.model import Chart, Stack
from flowdiag.site.profile import Label, Link, Profile, Site
from flowdiag.text.action import Action

ZERO_MS = 1_772_496_000_000  # 2026-03-03T00:00:00Z
MINUTE_MS = 60_000
LINKS = ("fibre", "lte")
DOWN, UP = 0, 1
RESOLUTION = "Bursts shorter than 60 seconds cannot be seen, because one record covers that long."


def ms(minute: float) -> int:
    return ZERO_MS + round(minute * MINUTE_MS)


def profile(name: str = "Harbour Lane Clinic", labels: Sequence[tuple[str, str]] | None = None) -> Profile:
    known = (("192.168.40.20/32", "imaging archive"),) if labels is None else labels
    return Profile(
        site=Site(name=name, timezone="Pacific/Auckland", lan=["192.168.40.0/24", "2001:db8:40::/48"]),
        link=[
            Link(name="fibre", interfaces=[2], down_mbps=100, up_mbps=20, framing="ip"),
            Link(
                name="lte", role="backup", interfaces=[3], down_mbps=30, up_mbps=5, framing="ip",
                variable=True, allowance_gb=50,
            ),
        ],
        label=[Label(network=network, name=label) for network, label in known],
    )  # fmt: skip


@dataclass
class Traffic:
    """Rates held from one minute to another; one record a minute, link and direction."""

    minutes: int = 120
    rows: list[tuple[int, int, int, str, str, str, float]] = field(default_factory=list)

    def flow(
        self,
        first: int,
        past: int,
        link: str,
        *,
        down: float = 0.0,
        up: float = 0.0,
        inside: str = "192.168.40.20",
        outside: str = "203.0.113.9",
        application: str = "https",
    ) -> Traffic:
        """down, up: Mbit/s from minute `first` until `past`."""
        for direction, mbps in ((DOWN, down), (UP, up)):
            for minute in range(first, past) if mbps else ():
                self.rows.append((minute, LINKS.index(link), direction, inside, outside, application, mbps))
        return self

    def office(
        self, first: int = 0, past: int | None = None, link: str = "fibre", mbps: float = 8.0
    ) -> Traffic:
        """Several devices at work."""
        past = self.minutes if past is None else past
        for host, part in ((21, 0.4), (22, 0.35), (23, 0.25)):
            self.flow(
                first, past, link, down=mbps * part, up=mbps * part / 16,
                inside=f"192.168.40.{host}", outside=f"198.51.100.{host}",
            )  # fmt: skip
        return self

    def flows(self) -> SiteFlows:
        rows = self.rows
        places = list(dict.fromkeys(place for row in rows for place in (row[3], row[4])))
        applications = list(dict.fromkeys(row[5] for row in rows)) or ["unknown"]
        start = np.array([ms(row[0]) for row in rows], np.int64)
        octets = np.array([row[6] * 1e6 / 8 * 60 for row in rows])
        count = len(rows)

        def numbers(values: list[int], kind: Any) -> Any:
            return np.array(values, kind)

        return SiteFlows(
            start_ms=start, end_ms=start + MINUTE_MS, octets=octets, packets=octets / 1000, wire_octets=octets,
            link=numbers([row[1] for row in rows], np.int8),
            direction=numbers([row[2] for row in rows], np.int8),
            inside=numbers([places.index(row[3]) for row in rows], np.int32),
            outside=numbers([places.index(row[4]) for row in rows], np.int32),
            inside_port=np.full(count, 50_000, np.int32), outside_port=np.full(count, 443, np.int32),
            protocol=np.full(count, 6, np.int16), tcp_flags=np.full(count, 0x1B, np.int32),
            dscp=np.zeros(count, np.int8),
            application=numbers([applications.index(row[5]) for row in rows], np.int32),
            opened_inside=np.ones(count, np.int8), end_reason=np.zeros(count, np.uint8),
            sampling=np.ones(count, np.float32),
            ingress=np.full(count, -1, np.int32), egress=np.full(count, -1, np.int32),
            addresses=tuple(_packed(place) for place in places), applications=tuple(applications),
        )  # fmt: skip

    def usage(self) -> Usage:
        octets = np.zeros((2, 2, self.minutes))
        for minute, link, direction, _, _, _, mbps in self.rows:
            octets[link, direction, minute] += mbps * 1e6 / 8 * 60
        return Usage(ZERO_MS, MINUTE_MS, LINKS, octets, octets, octets / 1000)

    def case(
        self,
        *,
        window: tuple[int, int] | None = None,
        reported: str | None = "it is slow",
        unheard: tuple[int, int] = (0, 0),
        of: Profile | None = None,
        **coverage: Any,
    ) -> Case:
        """window: minutes [from, to); unheard: minutes in which the exporter gave no sign of life."""
        heard = np.ones(self.minutes, np.bool_)
        heard[slice(*unheard)] = False
        known: dict[str, Any] = {
            "records": len(self.rows), "first_ms": ms(0), "last_ms": ms(self.minutes), "heard": heard,
            "losses": (), "lost_records": 0, "lost_messages": 0, "lost_is_estimate": False,
            "undecoded_records": 0, "sampling": 1.0, "resolution_s": 60, "resolution_known": True,
            "links_apart": True, "interface_names": {}, "remarks": (),
        }  # fmt: skip
        span = (ms(window[0]), ms(window[1])) if window else (ms(0), ms(self.minutes))
        return Case(
            of or profile(), self.flows(), self.usage(), Coverage(**known | coverage), span,
            window_given=window is not None, reported=reported,
        )  # fmt: skip


def charts(case: Case) -> tuple[Chart, ...]:
    """The charts of a case's note."""
    return charting.charts(case, charting.time_axis(case, charting.shown_span(case)))


def stack(case: Case, verdict: Verdict) -> Stack | None:
    """Who used the verdict's link in a case's note."""
    return charting.stack(case, verdict, charts(case))


def _packed(place: str) -> bytes:
    address = ip_address(place)
    return address.packed if address.version == 6 else bytes(10) + b"\xff\xff" + address.packed


def diagnosis(
    case: Case, verdict: Verdict, *findings: Finding, cautions: Sequence[str] = (RESOLUTION,)
) -> Diagnosis:
    """With the figures of the case's window; findings in the order that the diagnoser would give."""
    around = (case.flows, case.profile, case.window_ms)
    return Diagnosis(
        case=case, verdict=verdict, findings=findings,
        links=link_figures(case.usage, case.carried, case.profile, case.window_ms),
        talkers=rank_talkers(*around, limit=20),
        applications=rank_applications(*around, limit=20),
        destinations=rank_destinations(*around, limit=20),
        cautions=tuple(cautions),
    )  # fmt: skip


def resting_on(finding: Finding) -> Verdict:
    return Verdict(
        finding.code, finding.client, finding.confidence, finding,
        (finding.summary, *finding.doubts), finding.actions,
    )  # fmt: skip


def who(address: str, label: str | None, share: float) -> dict[str, Any]:
    return {"address": address, "label": label, "share": share}


def what(application: str, share: float) -> dict[str, Any]:
    return {"application": application, "share": share}


FULL_UPLOAD = Finding(
    code="link-full", severity="critical", confidence="high", link="fibre", direction="up",
    start_ms=ms(76), end_ms=ms(113),
    summary="The upload of fibre was full from 14:16 to 14:53 NZDT: 19.7 Mbit/s on average of 20.0 Mbit/s. "
    "192.168.40.20 (imaging archive) had 97% of it; 97% was https; 97% was with 203.0.113.9.",
    client="Your main line's upload was full from 14:16 to 14:53, mostly by one device's uploads. "
    "A full upload slows everything, downloads and calls included.",
    evidence={
        "capacity_mbps": 20.0, "mean_mbps": 19.7, "peak_mbps": 19.7, "full_minutes": 37, "busy_minutes": 37,
        "hosts": [who("192.168.40.20", "imaging archive", 0.9746), who("192.168.40.21", None, 0.0102)],
        "applications": [what("https", 1.0)],
        "destinations": [who("203.0.113.9", None, 0.9746), who("198.51.100.21", None, 0.0102)],
    },
    actions=(
        Action("client", "Pause the large transfer, or run it outside working hours."),
        Action("engineer", "Limit bulk transfers a little under the line's rate, and give calls priority."),
    ),
)  # fmt: skip


def full_upload(reported: str | None = "video calls freeze", **more: Any) -> Diagnosis:
    """One device fills the upload, and calls suffer."""
    traffic = Traffic(150).office().flow(76, 113, "fibre", up=19.2, down=0.4)
    traffic.flow(
        0, 150, "lte", up=0.0001, down=0.0001, inside="192.0.2.10", outside="198.51.100.1", application="icmp"
    )
    calls = Finding(
        code="realtime-contention", severity="warning", confidence="medium", link="fibre", direction="up",
        start_ms=ms(76), end_ms=ms(104),
        summary="1 call or other real-time stream (1.34 Mbit/s) shared the full upload of fibre.",
        client="Calls shared your main line's full upload without priority, which makes them freeze.",
        evidence={"calls": 1, "mean_mbps": 1.34, "marked_share": 0.0, "hosts": [who("192.168.40.21", None, 1.0)]},
        actions=(Action("engineer", "Mark calls and give them priority on the full line."),),
        doubts=("These are told to be calls by their packet rate and size alone.",),
    )  # fmt: skip
    case = traffic.case(window=(70, 110), reported=reported, **more)
    return diagnosis(case, resting_on(FULL_UPLOAD), FULL_UPLOAD, calls)


def with_finding(given: Diagnosis, finding: Finding) -> Diagnosis:
    return replace(given, findings=(finding,), verdict=resting_on(finding))
