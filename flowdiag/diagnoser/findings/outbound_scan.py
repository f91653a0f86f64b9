"""One inside host opens connections to very many addresses: refer to security.

Means: the host looks for open doors elsewhere, as malware does when it spreads. It may also be someone's
measuring tool; that is for the security contact to find out.

Decided: attempts of one host, SYNs, datagrams and pings that were sent once or again and again, which nobody
answered or which were refused, are counted by distinct outside address in ten minutes and in an hour. It is a scan where there
are scan_addresses or more in ten minutes, or two and a half times as many in an hour, half of them on at most
sixteen destination ports (or pings), at least half of what the host sent to those ports came to nothing, and an
address is tried three times at most on average.

Thresholds: scan_addresses, 200 in ten minutes: a browser reaches some tens, a busy shared address a
hundred or so, answered. 500 in an hour, for those that take their time. Common practice, no source.

Fooled by: peer-to-peer programs touch hundreds of addresses too, on all kinds of ports and with answers.
Resolvers and mail servers talk to thousands that answer. A dead upstream makes everybody's attempts fail:
outages and the minutes around a failover are left out, and repeated tries of the same addresses count
against it.

Do: the security contact looks at the host. No counter-measures from here.

Limits: a slow scan, under some eight addresses a minute, is not seen; nor one that tries many ports of one
address.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np

from flowdiag.aggregator.site_flows import UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import Applications, Destinations, Evidence, Hosts, Key
from flowdiag.diagnoser.finding import Confidence, Finding
from flowdiag.diagnoser.kind import Kind, Rank
from flowdiag.diagnoser.signals.conversations import sees_downloads
from flowdiag.diagnoser.signals.filling import fills_link
from flowdiag.diagnoser.signals.scans import Scan, scans
from flowdiag.diagnoser.signals.shares import who_what_where
from flowdiag.text.sentences import beyond as wording

CODE: Final = "outbound-scan"


@dataclass(frozen=True, eq=False)
class OutboundScan(Evidence):
    addresses_tried: Annotated[int, Key("outside addresses that one host tried", "addresses tried")]
    most_addresses_in_ten_minutes: Annotated[
        int, Key("the most of them in ten minutes", "most addresses in ten minutes")
    ]
    attempts: Annotated[int, Key("connection attempts and probes", "attempts")]
    ports: Annotated[list[int], Key("ports that were tried, the most tried first", "ports")]
    protocols: Annotated[list[str], Key("protocols that were used", "protocols")]
    unanswered_share: Annotated[float, Key("part of the attempts that nobody answered", "share unanswered")]
    octets: Annotated[int, Key("IP octets of it", "volume")]
    fills_link: Annotated[bool, Key("whether it filled the link", "fills the link")]
    hosts: Hosts
    applications: Applications
    destinations: Destinations


def find(case: Case) -> list[Finding]:
    return [_finding(case, scan) for scan in scans(case)]


def _finding(case: Case, scan: Scan) -> Finding:
    flows, rows = case.flows, scan.rows
    start, end = int(flows.start_ms[rows].min()), int(flows.end_ms[rows].max())
    links = np.bincount(flows.link[rows], flows.octets[rows])
    link = int(links.argmax())
    fills = fills_link(case, link, UP, rows)
    confidence: Confidence = "high" if sees_downloads(flows) else "medium"
    evidence = OutboundScan(
        addresses_tried=scan.addresses,
        most_addresses_in_ten_minutes=scan.most_in_ten_minutes,
        attempts=scan.attempts,
        ports=[port for protocol, port in scan.ports if port],
        protocols=[
            wording.PROTOCOLS[protocol] for protocol in sorted({protocol for protocol, _ in scan.ports})
        ],
        unanswered_share=round(scan.unanswered, 4),
        octets=int(flows.octets[rows].sum()),
        fills_link=fills,
        **who_what_where(case, rows, flows.packets[rows]),
    )
    summary, client = wording.outbound_scan(case, evidence, scan.ports, start, end)
    return Finding(
        code=CODE,
        severity="critical",
        confidence=confidence,
        summary=summary,
        client=client,
        link=case.profile.link[link].name,
        direction="up",
        start_ms=start,
        end_ms=end,
        evidence=evidence,
        actions=wording.SECURITY,
        doubts=() if sees_downloads(flows) else (wording.ONE_WAY,),
    )


def fills_a_link(case: Case, finding: Finding) -> bool:
    """Whether the scan fills a link."""
    return bool(finding.evidence.get("fills_link"))


KIND: Final = Kind(
    code=CODE,
    page=16,
    find=find,
    evidence=OutboundScan,
    ranks=(
        Rank(50, fills_a_link),
        Rank(110),
    ),
    means="Ordinary use does not look like this. The device needs a check before anything else.",
    next_step="We pass this to the security contact. Please leave the device as it is until then.",
)
