"""Ten situations whose notes are read aloud: each a diagnosis by hand, as the diagnoser would word it."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Final

from flowdiag.aggregator.remark import said
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.diagnoser.finding import Finding, Verdict
from flowdiag.site.profile import Label, Link, Profile, Site
from flowdiag.text.action import Action
from tests.note.building import (
    RESOLUTION,
    Traffic,
    diagnosis,
    full_upload,
    ms,
    profile,
    resting_on,
    what,
    who,
)

LOOK_ELSEWHERE: Final = (
    Action("client", "Try the same with a cable instead of Wi-Fi, and from a second device."),
    Action("helpdesk", "Look at the line's errors, loss and delay; flow records do not show them."),
)
PORTS: Final = "Applications are named after port numbers, which is only a convention."


def healthy() -> Diagnosis:
    case = Traffic().office().case(window=(60, 120), reported="the internet is slow")
    verdict = Verdict(
        code="not-the-link", confidence="high",
        sentence="Your main line was not the cause: it was never used above 8% from 14:00 to 15:00. Look next "
        "at the Wi-Fi, the device, the far end and the quality of the line.",
        reasons=("fibre download: at most 8.00 Mbit/s of 100 Mbit/s (8%) in any minute, at 14:00.",),
        next_steps=LOOK_ELSEWHERE,
    )  # fmt: skip
    return diagnosis(case, verdict)


def below_plan() -> Diagnosis:
    traffic = Traffic().office(0, 40).office(40, 90, mbps=61.0).office(90)
    finding = Finding(
        code="below-plan", severity="critical", confidence="medium", link="fibre", direction="down",
        start_ms=ms(40), end_ms=ms(90),
        summary="The download of fibre stopped at 61.0 Mbit/s from 13:40 to 14:30 NZDT, 61% of the plan of "
        "100 Mbit/s, while 3 devices shared it: when one took more, the others got less.",
        client="Your main line's download gave only about 61% of the plan's rate from 13:40 to 14:30, "
        "although more was wanted; the line, its setting or the rate on record has to be checked.",
        evidence={
            "capacity_mbps": 100.0, "ceiling_mbps": 61.0, "share_of_plan": 0.61, "minutes_at_ceiling": 50,
            "hosts_active": 3, "hosts": [who("192.168.40.21", None, 0.4), who("192.168.40.22", None, 0.35)],
        },
        actions=(Action("helpdesk", "Compare the plan rate with the contract, then test the line's rate."),),
        doubts=("The level is not very flat.",),
    )  # fmt: skip
    return diagnosis(traffic.case(window=(40, 100), reported="downloads crawl"), resting_on(finding), finding)


def on_backup() -> Diagnosis:
    traffic = Traffic().office(0, 30).office(31, 80, "lte", 27.6).office(81)
    finding = Finding(
        code="on-backup", severity="critical", confidence="high", link="lte",
        start_ms=ms(31), end_ms=ms(80),
        summary="The site was on its backup lte from 13:31 after a gap of 59 seconds to 14:20 (49 minutes); "
        "it carried 10.8 GB. The backup was full for part of that time.",
        client="Your main line stopped at 13:31; the site ran on its backup line until 14:20. The backup line "
        "was at its limit for a part of that time, which makes everything slow.",
        evidence={
            "minutes": 49.0, "gap_s": 59.0, "octets_down": 10_143_000_000, "octets_up": 633_937_500,
            "full_minutes_down": 49, "full_minutes_up": 0, "backup_was_full": True, "still_on_backup": False,
            "hosts": [who("192.168.40.21", None, 0.4), who("192.168.40.22", None, 0.35)],
            "applications": [what("https", 1.0)],
        },
        actions=(
            Action("helpdesk", "Open a fault for the primary with its carrier; give the times of the failover."),
            Action(
                "client", "Should it happen again, put off large transfers and updates until the main line is back."
            ),
        ),
    )  # fmt: skip
    return diagnosis(
        traffic.case(window=(0, 120), reported="everything is slow"), resting_on(finding), finding
    )


def flapping() -> Diagnosis:
    traffic = Traffic()
    edges = (0, 20, 26, 40, 47, 60, 68, 120)
    for number, (first, past) in enumerate(pairwise(edges)):
        traffic.office(first, past, ("fibre", "lte")[number % 2])
    finding = Finding(
        code="flapping", severity="critical", confidence="high", link="lte", start_ms=ms(20), end_ms=ms(68),
        summary="The site changed to its backup lte 3 times between 13:20 and 14:08 (21 minutes on it).",
        client="Your main line was unsteady between 13:20 and 14:08: the site changed over to its backup line "
        "3 times. Each change interrupts calls and connections.",
        evidence={
            "failovers": 3, "minutes_on_backup": 21.0, "longest_gap_s": 2.5,
            "switches": [
                {"from": "2026-03-03T13:20:00+13:00", "to": "2026-03-03T13:26:00+13:00", "gap_s": 2.5},
                {"from": "2026-03-03T13:40:00+13:00", "to": "2026-03-03T13:47:00+13:00", "gap_s": 1.0},
                {"from": "2026-03-03T14:00:00+13:00", "to": "2026-03-03T14:08:00+13:00", "gap_s": None},
            ],
        },
        actions=(Action("helpdesk", "Escalate the unsteady primary to its carrier with the times."),),
    )  # fmt: skip
    return diagnosis(
        traffic.case(window=(0, 120), reported="it comes and goes"), resting_on(finding), finding
    )


def outage() -> Diagnosis:
    traffic = Traffic().office(0, 50).office(65)
    finding = Finding(
        code="outage", severity="critical", confidence="high", start_ms=ms(50), end_ms=ms(65),
        summary="No link carried anything from 13:50 to 14:05 (15 minutes); 212 attempts to get out went "
        "nowhere.",
        client="The site had no Internet connection from 13:50 to 14:05.",
        evidence={
            "minutes": 15.0, "attempts": 212, "hosts_trying": 3, "at_work_shown_by": "attempts",
            "ongoing_at_end_of_export": False, "links": ["fibre", "lte"],
            "hosts": [who("192.168.40.21", None, 0.5)],
        },
        actions=(Action("helpdesk", "Check power and the line's terminal with the client."),),
    )  # fmt: skip
    return diagnosis(traffic.case(window=(40, 80), reported="no internet"), resting_on(finding), finding)


def leak_in_an_audit() -> Diagnosis:
    """Nobody complained; a day and a half, so that times carry their days."""
    traffic = Traffic(36 * 60).office()
    traffic.flow(
        0, 36 * 60, "lte", down=0.9, up=0.1, inside="2001:db8:40::25", outside="2001:db8:ffff::9",
        application="quic",
    )  # fmt: skip
    finding = Finding(
        code="backup-leak", severity="critical", confidence="high", link="lte",
        start_ms=ms(0), end_ms=ms(36 * 60),
        summary="IPv6 traffic ran over the backup lte while the primary works: 16.2 GB, 10.8 GB a day, about "
        "324 GB a month of 50 GB allowed (10.5% of the site's traffic).",
        client="Part of your traffic uses the backup line although the main line works. At this rate the "
        "backup's monthly data allowance will not last.",
        evidence={
            "octets": 16_200_000_000, "octets_a_day": 10_800_000_000, "month_gb": 324.0, "allowance_gb": 50.0,
            "passes_allowance": True, "leak_share": 0.1053, "only": "IPv6",
            "hosts": [who("2001:db8:40::25", None, 1.0)], "applications": [what("quic", 1.0)],
            "destinations": [who("2001:db8:ffff::9", None, 1.0)],
        },
        actions=(Action("engineer", "Find the route or rule that sends this traffic over the backup."),),
    )  # fmt: skip
    return diagnosis(traffic.case(reported=None), resting_on(finding), finding, cautions=(RESOLUTION, PORTS))


def silent_backup_beside_a_complaint() -> Diagnosis:
    missing = Finding(
        code="keepalive-missing", severity="warning", confidence="high", link="lte",
        start_ms=ms(0), end_ms=ms(120),
        summary="No icmp keepalive to 198.51.100.1 is seen on the backup lte anywhere in the export.",
        client="The backup line is not being tested as it should be, so it may not take over when needed.",
        evidence={
            "destination": "198.51.100.1", "protocol": "icmp", "interval_s": 10.0, "missing_s": 7200.0,
            "intervals_missed": 720, "seen_at_all": False, "packets_by_other_links": 0, "other_links": [],
            "destinations": [who("198.51.100.1", None, 1.0)],
        },
        actions=(Action("helpdesk", "Look at the router's own view of the backup."),),
    )  # fmt: skip
    of_the_line = healthy().verdict
    case = Traffic().office().case(window=(60, 120), reported="the printer is slow")
    return diagnosis(case, of_the_line, missing)


def mostly_silent() -> Diagnosis:
    case = Traffic().office(0, 20).office(100).case(
        window=(0, 120), reported="slow since lunch!", unheard=(20, 100), lost_records=1_523,
        lost_is_estimate=True, undecoded_records=12, resolution_known=False,
        remarks=(said("Lost records are estimated from lost messages."),),
    )  # fmt: skip
    verdict = Verdict(
        code="cannot-tell", confidence="high",
        sentence="We cannot tell whether the line was the cause: only 33% of that time was measured.",
        reasons=("The exporter was heard in 33% of the window, and nothing in that part explains the complaint.",),
        next_steps=(Action("helpdesk", "Get an export that covers the time of the complaint."),),
    )  # fmt: skip
    gap = Finding(
        code="export-gap", severity="warning", confidence="high", start_ms=ms(20), end_ms=ms(100),
        summary="The export has no records from 13:20 to 14:40 NZDT (80 minutes, 67% of the window).",
        client="We have no measurements from 13:20 to 14:40.",
        evidence={"silent_minutes": 80.0, "share_of_window": 0.6667, "lost_records": 1_523},
        actions=(Action("engineer", "Check the exporter and its path to the collector for drops."),),
    )  # fmt: skip
    return diagnosis(case, verdict, gap)


def flood() -> Diagnosis:
    traffic = (
        Traffic()
        .office()
        .flow(30, 45, "fibre", down=90.5, inside="192.168.40.2", outside="203.0.113.77", application="dns")
    )
    finding = Finding(
        code="inbound-flood", severity="critical", confidence="high", link="fibre", direction="down",
        start_ms=ms(30), end_ms=ms(45),
        summary="4,213 addresses sent 11,302 packets/s that nobody asked for to one address of the site "
        "between 13:30 and 13:45. This fills the link.",
        client="Between 13:30 and 13:45 the site was flooded with unwanted traffic from outside, which left "
        "little room on the line.",
        evidence={
            "sources": 4_213, "mean_packets_s": 11_302, "peak_packets_s": 11_980, "octets": 10_181_250_000,
            "mean_packet_octets": 1_001, "fills_link": True, "hosts": [who("192.168.40.2", None, 1.0)],
            "applications": [what("dns", 1.0)], "destinations": [who("203.0.113.77", None, 0.004)],
        },
        actions=(Action("security contact", "Assess the flood and decide with the carrier what to do."),),
    )  # fmt: skip
    return diagnosis(traffic.case(window=(20, 60), reported="nothing loads"), resting_on(finding), finding)


def nothing_read() -> Diagnosis:
    """An export of messages without any flow, and a single line without interface numbers."""
    of = Profile(
        site=Site(name="Kiosk"), link=[Link(name="dsl", interfaces=[], down_mbps=50, up_mbps=10)],
        label=[Label(network="192.0.2.1", name="router")],
    )  # fmt: skip
    case = Traffic(0).case(of=of, first_ms=None, last_ms=None, reported="slow")
    verdict = Verdict(
        code="cannot-tell", confidence="high",
        sentence="We cannot tell whether the line was the cause: no traffic was measured.",
    )  # fmt: skip
    return diagnosis(case, verdict, cautions=())


HOSTILE: Final = "\x1b[2J<script>a(1)</script>\u202e|`# =1+1 [x](http://a.example) **b**\n- item\u200b\ud800 $x$ <!-- &amp; ]]>"


def hostile() -> Diagnosis:
    """Every text that comes from outside tries to be something else."""
    of = profile(name=f"Site {HOSTILE}", labels=[("192.168.40.21/32", f"L{HOSTILE}")])
    of.link[0].__dict__["name"] = f"fibre{HOSTILE}"
    traffic = (
        Traffic().office().flow(0, 120, "fibre", down=20.0, inside="192.168.40.21", application=f"A{HOSTILE}")
    )
    finding = Finding(
        code="backup-leak", severity="warning", confidence="low", link=f"fibre{HOSTILE}", direction="down",
        start_ms=ms(10), end_ms=ms(50), summary=f"S{HOSTILE}", client=f"C{HOSTILE}",
        evidence={
            "hosts": [who("192.168.40.21", f"H{HOSTILE}", 0.9)], "applications": [what(HOSTILE, 0.5)],
            "only": HOSTILE,
        },
        actions=(Action("engineer", HOSTILE),), doubts=(HOSTILE,),
    )  # fmt: skip
    case = traffic.case(window=(0, 60), reported=HOSTILE, of=of, remarks=(said(HOSTILE),))
    return diagnosis(case, resting_on(finding), finding, cautions=(HOSTILE,))


SITUATIONS: Final[dict[str, Callable[[], Diagnosis]]] = {
    "full-upload": full_upload,
    "healthy": healthy,
    "below-plan": below_plan,
    "on-backup": on_backup,
    "flapping": flapping,
    "outage": outage,
    "leak-in-an-audit": leak_in_an_audit,
    "silent-backup-beside-a-complaint": silent_backup_beside_a_complaint,
    "mostly-silent": mostly_silent,
    "flood": flood,
    "nothing-read": nothing_read,
}
