"""The sentences of a verdict that cover the window: all spells of its kind, and what else went wrong with a line.

The foremost finding names the cause. But a client whose upload was full at ten and again at eleven was slowed down
twice, and one whose download was full meanwhile has to hear of it. So findings of one kind, link and direction are
reported as one, with their spells (text/sentences/times.py), and other grave troubles of the window follow, except what the
verdict explains: the full backup of a failover, the stays of an unsteady line, the load that an attack makes.

What is less certain than a verdict may be is not reported here: a finding of low confidence only where the foremost is low.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from flowdiag.aggregator.site_flows import DIRECTION_NAMES
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.findings.not_the_link import short_cuts
from flowdiag.diagnoser.signals.at_limit import at_limit
from flowdiag.diagnoser.signals.room import room
from flowdiag.durations import Span
from flowdiag.text.sentences import backup as wording_backup
from flowdiag.text.sentences import load as wording
from flowdiag.text.sentences.all_clear import nothing_came_in, percent_up
from flowdiag.text.sentences.below_plan import below_plan_client
from flowdiag.text.sentences.beyond import floods
from flowdiag.text.sentences.links import whose_line

# Troubles of a line that are reported beside another one; the rest is in the findings.
GRAVE: Final = ("outage", "flapping", "on-backup", "inbound-flood", "link-full", "below-plan")
# Others whose sentences have times.
WITH_SPELLS: Final = ("link-busy", "keepalive-missing", "keepalive-unanswered")
# Causes that make others in their own time.
EXPLAINS: Final = ("outage", "flapping", "on-backup", "inbound-flood", "outbound-scan")
# Other troubles than the verdict's that a client reads before the next step.
MOST_BESIDES: Final = 2
# Verdicts beside which a line may have been full all the same, and what part of the window is worth telling then.
LEAVES_ROOM_OPEN: Final = ("flapping", "on-backup", "link-full", "below-plan", "backup-leak", "link-busy")
WORTH_TELLING: Final = 0.1
# Ceilings this close, as parts of the plan, are one ceiling.
SAME_CEILING: Final = 0.05


def client_sentences(
    case: Case, first: Finding, same: Sequence[Finding], inside: Sequence[Finding]
) -> tuple[str, tuple[Finding, ...]]:
    """The verdict's sentences, and the findings beside the first that they tell.

    first: the foremost; same: all that could be the verdict, of its code; inside: all that touch the window.
    """
    group = _group(first, same)
    said = [_sentence(case, first, group) + _main_line(case, first)]
    also = [finding for finding in group if finding is not first]
    rest = [
        finding
        for finding in inside
        if finding not in group and _is_grave(finding, first) and not _is_explained(finding, group)
    ]
    for _ in range(MOST_BESIDES):
        if not rest:
            break
        head = min(
            rest, key=lambda finding: (finding.code != first.code, GRAVE.index(finding.code), *_span(finding))
        )
        others = _group(head, rest)
        said.append(_beside(case, first, head, others))
        also += others
        rest = [finding for finding in rest if finding not in others and not _is_explained(finding, others)]
    said += [*_full_for_moments(case, first), *_cut_off_for_moments(case, first)]
    return " ".join(said), tuple(also)


def _group(first: Finding, found: Sequence[Finding]) -> list[Finding]:
    """Those of the first's kind, link and direction that one sentence can tell, in order of time."""

    def belongs(finding: Finding) -> bool:
        if (finding.code, finding.link, finding.direction) != (first.code, first.link, first.direction):
            return False
        if finding.confidence == "low" and first.confidence != "low":
            return False
        if any(
            (key in finding.evidence) != (key in first.evidence)
            for key in ("over_plan", "maybe_offered", "confirms_mbps")
        ):
            return False
        own, its = first.evidence.get("share_of_plan", 0.0), finding.evidence.get("share_of_plan", 0.0)
        return finding.code != "below-plan" or abs(own - its) <= SAME_CEILING

    return sorted((finding for finding in found if finding is first or belongs(finding)), key=_span)


def _is_grave(finding: Finding, first: Finding) -> bool:
    certain = finding.confidence != "low" or first.confidence == "low"
    return finding.severity == "critical" and finding.code in GRAVE and certain


def _is_explained(finding: Finding, shown: Sequence[Finding]) -> bool:
    """Whether a finding lies mostly within the time of a trouble that brings such with it."""
    start, end = _span(finding)
    return any(
        2 * (min(end, _span(one)[1]) - max(start, _span(one)[0])) > end - start
        for one in shown
        if one.code in EXPLAINS and one.code != finding.code
    )


def _span(finding: Finding) -> Span:
    start = finding.start_ms or 0
    return start, max(finding.end_ms or 0, start + 1)


def _parts(group: Sequence[Finding]) -> list[Span]:
    """The spells of findings in order of time, those of a joined finding one by one."""
    parts: list[Span] = []
    for finding in group:
        spells = finding.evidence.get("spells") if finding.code in ("link-full", "link-busy") else None
        parts += [(_ms(spell["from"]), _ms(spell["to"])) for spell in spells] if spells else [_span(finding)]
    return sorted(parts)


def _ms(time: str) -> int:
    return round(datetime.fromisoformat(time).timestamp() * 1000)


def _sentence(case: Case, first: Finding, group: Sequence[Finding]) -> str:
    """What a client reads of one group; a single finding has its own sentence."""
    if len(group) == 1 or first.code not in (*GRAVE, *WITH_SPELLS):
        return first.client
    parts = _parts(group)
    if first.code == "keepalive-missing":
        return wording_backup.not_tested(case, parts)
    if first.code == "keepalive-unanswered":
        return wording_backup.not_answered(case, parts)
    if first.code == "outage":
        ongoing = bool(group[-1].evidence.get("ongoing_at_end_of_export"))
        return wording_backup.cut_off(case, parts, ongoing)
    if first.code == "on-backup":
        full = any(finding.evidence.get("backup_was_full") for finding in group)
        still = bool(group[-1].evidence.get("still_on_backup"))
        gap_s = max(finding.evidence.get("gap_s") or 0.0 for finding in group)
        return wording_backup.stays(case, first.link or "", parts, full, still, gap_s)
    if first.code == "flapping":
        changes = sum(finding.evidence.get("failovers", 0) for finding in group)
        return wording_backup.unsteady(case, parts, changes)
    if first.code == "inbound-flood":
        return floods(case, parts, any(finding.evidence.get("fills_link") for finding in group))
    link, direction = _link_direction(case, first)
    evidence = {**first.evidence, "hosts": _hosts(group)}
    if first.code == "below-plan":
        return below_plan_client(case, link, direction, parts, evidence)
    if first.code == "link-busy":
        short = all(finding.evidence.get("short_of_full") for finding in group)
        return wording.link_busy_client(case, link, direction, parts, evidence, short_of_full=short)
    over = bool(first.evidence.get("over_plan"))
    return wording.link_full_client(case, link, direction, parts, evidence, over=over)


def _link_direction(case: Case, finding: Finding) -> tuple[int, int]:
    """Numbers of a finding's link and direction."""
    return [link.name for link in case.profile.link].index(finding.link or ""), int(finding.direction == "up")


def _hosts(group: Sequence[Finding]) -> list[dict[str, object]]:
    """The hosts of the first where those of all say the same of who it was: one device, a few, or many."""

    def kind(hosts: list[dict[str, object]]) -> object:
        if not hosts:
            return ""
        if float(str(hosts[0]["share"])) >= wording.MOSTLY_ONE:
            return hosts[0]["address"]
        return "a few" if wording.by_a_few(hosts) else "many"

    several = [finding.evidence.get("hosts") or [] for finding in group]
    return several[0] if len({str(kind(hosts)) for hosts in several}) == 1 else []


def _beside(case: Case, first: Finding, head: Finding, group: Sequence[Finding]) -> str:
    if head.code == first.code == "link-full" and not head.evidence.get("over_plan"):
        link, direction = _link_direction(case, head)
        evidence = {**head.evidence, "hosts": _hosts(group)}
        return wording.full_too(case, link, direction, _parts(group), evidence)
    sentence = _sentence(case, head, group)
    return wording.besides(sentence)


def _full_for_moments(case: Case, first: Finding) -> list[str]:
    """Lines that somebody felt full for a good part of the window, in spells too short for findings that are told."""
    if case.is_audit or first.code not in LEAVES_ROOM_OPEN:
        return []
    links = case.profile.link
    others = [
        limit
        for limit in at_limit(case)
        if limit.share >= WORTH_TELLING
        and (links[limit.link].name, DIRECTION_NAMES[limit.direction]) != (first.link, first.direction)
    ]
    if first.code == "backup-leak":  # the main line has been reported
        others = [limit for limit in others if links[limit.link].role == "backup"]
    return [wording.full_for_moments(case, limit) for limit in others[:MOST_BESIDES]]


def _cut_off_for_moments(case: Case, first: Finding) -> list[str]:
    """Times in which nothing came in, too short for a verdict, beside one about another trouble of the line."""
    cut = short_cuts(case) if first.code in LEAVES_ROOM_OPEN and first.code not in EXPLAINS else ()
    return [nothing_came_in(case, cut)] if cut else []


def _main_line(case: Case, first: Finding) -> str:
    """Beside a leak that somebody felt: whether the main line had room."""
    if first.code != "backup-leak" or case.is_audit:
        return ""
    primaries = {number for number, link in enumerate(case.profile.link) if link.role == "primary"}
    reached = [limit for limit in at_limit(case) if limit.link in primaries]
    if reached:
        line = whose_line(case, reached[0].link)
        return wording_backup.main_line_reached_its_limit(line, reached[0].longest_ms)
    used = [one for one in room(case) if one.link in primaries]
    if not used:
        return ""
    roomy = used[0].share < case.profile.thresholds.busy
    return wording_backup.main_line_meanwhile(
        whose_line(case, used[0].link), percent_up(used[0].share), roomy
    )
