"""What the link and keepalive findings say: summary (with figures), client sentence, actions and doubts.

Every function returns (summary, client): the first for an engineer, the second for a client, who is spared
addresses and jargon.
"""

from __future__ import annotations

from collections.abc import Sequence
from ipaddress import ip_address
from typing import Final

from flowdiag.durations import DAY_MS
from flowdiag.site.profile import Keepalive
from flowdiag.text.action import Action
from flowdiag.text.asked import Asked
from flowdiag.text.clock import duration
from flowdiag.text.figures import count, fine_percent, three_figures, volume
from flowdiag.text.sentences.links import backup_called, called
from flowdiag.text.sentences.seen import Failover, Gap
from flowdiag.text.sentences.times import beginning, clock, clocks, spells

Said = tuple[str, str]

# A gap of a switch that a client is told of: as long as an outage that is told (short_outages.py).
FELT_GAP_MS: Final = 20_000

NOT_METERED: Final = (
    "The backup never shows a keepalive in this export; some routers do not meter packets of their own."
)
NO_DOWNLOADS_HERE: Final = (
    "Nothing at all came in over this link, so the export may not show this direction here."
)
NO_ATTEMPTS_SEEN: Final = (
    "No attempt to get out is on record; that the site was at work follows from time and habit."
)
INTERRUPTED: Final = (
    "Few attempts to get out, or none, are on record; conversations of several devices that had run without a pause stopped "
    "together and went on together. A fault of the site's own network (a switch that restarts) looks the same."
)
BACKUP_ANSWERED: Final = (
    "Keepalives on the backup were answered meanwhile: it had a way out that the site did not use."
)
NEVER_ON_PRIMARY: Final = (
    "The export shows no ordinary traffic on the primary; check that the profile's interfaces are right."
)
NOT_HEARD_ALL_ALONG: Final = "The exporter was silent for a part of this time."
SHORT_EXPORT: Final = "The month's volume is projected from less than a day."

FAILED_OVER: Final = (
    Action("helpdesk", "Open a fault for the primary with its carrier; give the times of the failover."),
    Action(
        "client", "Should it happen again, put off large transfers and updates until the main line is back."
    ),
    Action(
        "field engineer", "If the carrier finds nothing, check the primary's cabling and terminal on site."
    ),
)
STUCK: Final = (
    Action("helpdesk", "Check whether the primary is up now; if it is down, open a fault with its carrier."),
    Action("engineer", "If the primary is up, find out why the router has not gone back to it."),
    Action("client", "Put off large transfers and updates until the main line is back."),
)
UNSTEADY: Final = (
    Action("helpdesk", "Escalate the unsteady primary to its carrier with the times of every change."),
    Action("engineer", "Consider holding the site on its backup until the primary is steady."),
    Action("client", "Expect calls and sessions to drop until the main line is repaired."),
)
LINE_DOWN: Final = (
    Action(
        "helpdesk", "Check power and the line's terminal with the client, then open a fault with the carrier."
    ),
    Action("field engineer", "Test the line at its entry into the building."),
)
LEAK: Final = (
    Action("engineer", "Find the route or rule that sends this traffic over the backup and correct it."),
    Action("account manager", "Compare the projected volume with the backup's data allowance."),
)
BACKUP_TEST: Final = (
    Action("helpdesk", "Look at the router's own view of the backup and test a failover at an agreed time."),
    Action("engineer", "Check that the keepalive is configured and leaves by the backup."),
)
BACKUP_DEAD: Final = (
    Action("helpdesk", "Check the backup's account and allowance, and that the destination still answers."),
    Action("field engineer", "Check signal and antenna of the backup on the next visit."),
)
KEEPALIVE_SETTING: Final = (
    Action(
        "engineer",
        "Compare the interval and size in the site profile with the router's setting and correct one.",
    ),
)


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def _probe(keepalive: Keepalive) -> str:
    port = f" port {keepalive.port}" if keepalive.port else ""
    return f"{keepalive.protocol.upper()} keepalive to {ip_address(keepalive.destination)}{port}"


def on_backup(case: Asked, link: str, failover: Failover, full: bool) -> Said:
    start, end = clocks(case, failover.start_ms, failover.end_ms)
    carried = volume(failover.octets_down + failover.octets_up)
    lasting = duration(failover.length_ms)
    gap = "" if failover.gap_ms is None else f", after a gap of {_gap(failover.gap_ms)},"
    since = "since before the export begins" if failover.began_before else f"from {start}"
    until = "and still was when the export ends" if failover.still else f"to {end}"
    summary = (
        f"The site was on its {backup_called(link)} {since}{gap} {until} ({lasting}); it carried {carried}."
    )
    if full:
        summary += " The backup was full for part of that time."
    if failover.began_before and failover.still:
        client = "Your main line carried nothing; the site ran on its backup line all along."
    elif failover.still:
        client = f"Your main line has carried nothing since {_stopped(case, failover)}; the site has been on its backup line."
    elif failover.began_before:
        client = f"The site ran on its backup line until {end}, because the main line carried nothing."
    else:
        client = f"Your main line stopped at {_stopped(case, failover)}; {_then(failover)} until {end}."
    return summary, client + _how_the_backup_was(case, link, full)


def _stopped(case: Asked, failover: Failover) -> str:
    """When the main line stopped: the gap of the switch comes before the stay on the backup."""
    return beginning(case, failover.start_ms - (failover.gap_ms or 0), failover.end_ms)


def _then(failover: Failover) -> str:
    ran = "the site ran on its backup line"
    if failover.gap_ms is None or failover.gap_ms < FELT_GAP_MS:
        return ran
    return f"nothing was carried for {duration(failover.gap_ms)}, then {ran}"


def stays(
    case: Asked, link: str, parts: Sequence[tuple[int, int]], full: bool, still: bool, gap_s: float
) -> str:
    """For a client: several stays on a backup. still: the site was on it when the export ended; gap_s: the longest time
    of a change over to it.
    """
    times = "twice" if len(parts) == 2 else f"{len(parts)} times"
    since = f"; it has been on it since {clock(case, parts[-1][0])}" if still else ""
    client = f"Your main line stopped {times}; the site ran on its backup line {spells(case, parts)}{since}."
    if gap_s * 1000 >= FELT_GAP_MS:
        client += f" Before it changed over, nothing was carried for up to {duration(gap_s * 1000)}."
    return client + _how_the_backup_was(case, link, full)


def _how_the_backup_was(case: Asked, link: str, full: bool) -> str:
    if full:
        return " The backup line was at its limit for a part of that time, which makes everything slow."
    return " The backup line is slower than the main one." if _slower(case, link) else ""


def unsteady(case: Asked, parts: Sequence[tuple[int, int]], changes: int) -> str:
    """For a client: several times of flapping."""
    return (
        f"Your main line was unsteady {spells(case, parts)}: the site changed over to its backup line "
        f"{changes} times. Each change interrupts calls and connections."
    )


def cut_off(case: Asked, parts: Sequence[tuple[int, int]], ongoing: bool) -> str:
    """For a client: several outages; ongoing: the last one lasts to the end of the export."""
    said = "The site had no Internet connection"
    if not ongoing:
        return f"{said} {spells(case, parts)}."
    return f"{said} {spells(case, parts[:-1])}, and has had none since {clock(case, parts[-1][0])}."


def _slower(case: Asked, backup: str) -> bool:
    """Whether a backup's plan has less room than that of every primary, either way."""
    plan = next(link for link in case.profile.link if link.name == backup)
    primaries = [link for link in case.profile.link if link.role == "primary"]
    return all(plan.down_mbps < link.down_mbps and plan.up_mbps <= link.up_mbps for link in primaries)


def _gap(ms: int) -> str:
    if ms >= 10_000 or round(ms / 100) % 10 == 0:
        return duration(ms)
    return f"{ms / 1000:.1f} seconds"


def flapping(case: Asked, link: str, group: Sequence[Failover]) -> Said:
    start, end = clocks(case, group[0].start_ms, group[-1].end_ms)
    away = duration(sum(failover.length_ms for failover in group))
    summary = f"The site changed to its {backup_called(link)} {len(group)} times between {start} and {end} ({away} on it)."
    client = (
        f"Your main line was unsteady between {start} and {end}: the site changed over to its backup line "
        f"{len(group)} times. Each change interrupts calls and connections."
    )
    return summary, client


def outage(case: Asked, start_ms: int, end_ms: int, attempts: int, ongoing: bool) -> Said:
    start, end = clocks(case, start_ms, end_ms)
    tried = f"; {count(attempts, 'attempt')} to get out went nowhere" if attempts else ""
    lasting = duration(end_ms - start_ms)
    if ongoing:
        return (
            f"No link carried anything from {start} to the end of the export ({lasting}){tried}.",
            f"The site has had no Internet connection since {start}.",
        )
    return (
        f"No link carried anything from {start} to {end} ({lasting}){tried}.",
        f"The site had no Internet connection from {start} to {end}.",
    )


def backup_leak(
    case: Asked,
    link: str,
    octets: float,
    a_day: float,
    month_gb: tuple[float, float],
    allowance_gb: float | None,
    share: float,
    only: str | None,
    whose: str | None,
    span_ms: int,
) -> Said:
    """month_gb: at least, where it leaks in the measured hours of a day alone, and if it goes on day and night.
    whose: what a client calls the device that most of it is of, None where nobody gave it a name. span_ms: how long was
    measured.
    """
    what = f"{only} traffic" if only else "Ordinary traffic"
    least, most = month_gb
    short = span_ms < DAY_MS
    measured = f" in {duration(span_ms)}" if short else ""
    summary = (
        f"{what} ran over the {backup_called(link)} while the primary worked: {volume(octets)}{measured}, "
        f"{volume(a_day)} a day, about {three_figures(most)} GB a month"
    )
    if short:
        summary += (
            f" if it goes on like that day and night, {three_figures(least)} GB if in those hours alone,"
        )
    if allowance_gb is not None:
        summary += f" of {allowance_gb:g} GB allowed"
    summary = summary.rstrip(",") + f" ({fine_percent(share)} of the site's traffic)."
    of = "Part of your traffic" if whose is None else f"Traffic of {whose}"
    client = f"{of} uses the backup line although the main line works."
    if allowance_gb is not None and most > allowance_gb:
        if short and least <= allowance_gb:
            client += (
                " If it went on like this day and night, the backup's monthly data allowance would not last; we measured "
                f"only {duration(span_ms)}."
            )
        else:
            client += " At this rate the backup's monthly data allowance will not last."
    return summary, client


def main_line_meanwhile(line: str, share: str, roomy: bool) -> str:
    """Beside a leak that a client felt: whether the main line had room; share: its fullest minute, rounded up."""
    if roomy:
        return f" Your {line} had room meanwhile: it was never used above {share}."
    return f" Your {line} was used up to {share} meanwhile, which leaves little room."


def main_line_reached_its_limit(line: str, longest_ms: int) -> str:
    return f" Your {line} was at its limit meanwhile too, for up to {duration(longest_ms)} at a stretch."


def keepalive_missing(
    case: Asked, link: str, keepalive: Keepalive, gap: Gap, by: Sequence[str], never: bool
) -> Said:
    probe = _probe(keepalive)
    start, end = clocks(case, gap.start_ms, gap.end_ms)
    if by:
        summary = (
            f"The {probe} leaves by {_listed([called(name) for name in by])} instead of the {backup_called(link)}, "
            "which is not being tested."
        )
        return (
            summary,
            "The test of the backup line runs over another line, so nobody would notice if it were dead.",
        )
    if never:
        return (
            f"No {probe} is seen on the {backup_called(link)} anywhere in the export.",
            "The backup line is not being tested as it should be, so it may not take over when needed.",
        )
    summary = (
        f"No {probe} was seen on the {backup_called(link)} from {start} to {end} ({duration(gap.length_ms)})."
    )
    if _reaches_the_end(case, gap):
        return (
            summary,
            f"The backup line has not been tested since {start}, so it may not take over when needed.",
        )
    return (
        summary,
        f"The backup line was not tested from {start} to {end}; it may have been out of order then.",
    )


def keepalive_unanswered(
    case: Asked, link: str, keepalive: Keepalive, gap: Gap, sent: int, back: int
) -> Said:
    start, end = clocks(case, gap.start_ms, gap.end_ms)
    answer = (
        "none was answered" if back == 0 else f"{back:,} of them {'was' if back == 1 else 'were'} answered"
    )
    summary = (
        f"The {_probe(keepalive)} on the {backup_called(link)} went out {count(sent, 'time')} "
        f"from {start} to {end}; {answer}."
    )
    how = "no answer" if back == 0 else "few answers"
    if _reaches_the_end(case, gap):
        client = f"The backup line's test has had {how} since {start}, so it may not take over when needed."
    else:
        client = f"The backup line's test had {how} from {start} to {end}; the line may have been dead then."
    return summary, client


def not_tested(case: Asked, parts: Sequence[tuple[int, int]]) -> str:
    """For a client: several times without any test of a backup."""
    return (
        f"The backup line was not tested {spells(case, parts)}; it may have been out of order then, so it may not "
        "take over when needed."
    )


def not_answered(case: Asked, parts: Sequence[tuple[int, int]]) -> str:
    """For a client: several times without answers to the test of a backup."""
    return f"The backup line's test had no answer, or few, {spells(case, parts)}; it may not take over when needed."


def _reaches_the_end(case: Asked, gap: Gap) -> bool:
    """Whether a gap lasts as long as the export can show; what one record covers is not exported yet."""
    coverage = case.coverage
    return coverage.last_ms is None or gap.end_ms + coverage.resolution_s * 1000 >= coverage.last_ms


def keepalive_excess(
    case: Asked, link: str, keepalive: Keepalive, packets_times: float, octets_times: float | None
) -> Said:
    told = [("packets", packets_times)] + ([] if octets_times is None else [("octets", octets_times)])
    # As many as planned is nothing to speak of, unless it is all that there is to say.
    above = [(what, times) for what, times in told if times >= 1.05] or told
    parts = [f"{three_figures(times)} times the {what}" for what, times in above]
    summary = (
        f"The {_probe(keepalive)} on the {backup_called(link)} sends {_listed(parts)} that one every "
        f"{keepalive.interval_s:g} s explains."
    )
    return summary, "The test of the backup line sends far more data than it should."


def keepalive_irregular(case: Asked, link: str, keepalive: Keepalive, cadence_s: float) -> Said:
    summary = (
        f"The {_probe(keepalive)} on the {backup_called(link)} runs every {three_figures(cadence_s)} s instead of every "
        f"{keepalive.interval_s:g} s."
    )
    return summary, "The test of the backup line runs at another pace than planned; nothing is broken."


def keepalive_candidate(link: str, address: str, interval_s: float) -> str:
    """A caution about a backup without listed keepalives; it alleges nothing."""
    return (
        f"The {backup_called(link)} sends small steady packets to {address}, about one every {three_figures(interval_s)} s; if "
        "that is its keepalive, add it to the site profile so that it can be watched."
    )
