"""What to tell a client about the plan: upgrade, tune first, watch, fine, or not enough data, with the reasons.

Decided, first that holds:
- not enough data: the exporter was heard for less than half of the period or on fewer than 14 days, or its records fit no
  link of the profile;
- a direction is outgrown where its 95th percentile is at or over the busy threshold of the plan. That alone sells nothing:
  it is set aside ("tune first") where use far above the plan says that the profile's rate is wrong, where the percentile
  would be under the threshold without one host, or where the working hours are under it. An upgrade cures none of these;
- upgrade: a direction is outgrown and nothing is set aside;
- tune first also where leaks use up the backup's allowance;
- watch: the trend, beyond doubt, brings use to the threshold within half a year; or full times came on several days; or
  the busy hour is over the threshold;
- fine.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

from msgspec import Struct, field

from flowdiag.review.backup_figures import BackupFigures
from flowdiag.review.link_figures import LinkFigures
from flowdiag.review.partial import SitePartial
from flowdiag.review.plans import need, smallest_plan
from flowdiag.site.profile import Profile
from flowdiag.text.wording import review as words
from flowdiag.text.wording.review import Reason

Advice = Literal["upgrade", "tune-first", "watch", "fine", "not-enough-data"]
# In order of ranking.
ADVICE: Final[tuple[Advice, ...]] = ("upgrade", "tune-first", "watch", "not-enough-data", "fine")

# Two working weeks. Common practice, no source.
LEAST_DAYS: Final = 14
LEAST_COVERAGE: Final = 0.5
# Spreading and framing blur a rate by some per cent; more over the plan than this cannot be carried by it.
MOST_OVER_PLAN: Final = 1.10
WATCH_MONTHS: Final = 6.0
WATCH_DAYS: Final = 3
# A host is a talker among others only where there are others: a router that translates addresses looks like one host.
LEAST_HOSTS: Final = 2
# Leaks are to blame for an allowance from this part of what was used on.
LEAK_PART: Final = 0.5


class Judgement(Struct, frozen=True):
    """plan: of the catalogue, to upgrade to; rates: of it, download and upload in Mbit/s."""

    advice: Advice
    reasons: tuple[Reason, ...]
    plan: str | None = None
    rates: tuple[float, float] | None = None


class _Findings(Struct):
    """Reasons by what they speak for."""

    upgrade: list[Reason] = field(default_factory=list)
    tune: list[Reason] = field(default_factory=list)
    watch: list[Reason] = field(default_factory=list)


def judge(
    profile: Profile,
    links: Sequence[LinkFigures],
    backup: BackupFigures | None,
    partial: SitePartial,
    days: int,
    exporters: int = 1,
) -> Judgement:
    """The advice for a site. links: in order of link and direction; partial: of the period; days: that count; exporters:
    whose flows were taken.
    """
    # Flows of many sites added up look like one site with a great need.
    anybodys = exporters > 1 and not profile.site.exporters
    lacking = words.whose_flows(exporters) if anybodys else _lacking(links, partial, days)
    if lacking is not None:
        return Judgement("not-enough-data", (lacking,))
    findings = _Findings()
    plans: list[tuple[str, tuple[float, float]]] = []
    for number, link in enumerate(profile.link):
        if link.role == "primary":
            down, up = links[2 * number], links[2 * number + 1]
            plans += _outgrown(profile, down, up, partial.hosts, findings)
            for figures in (down, up):
                _to_watch(figures, profile.thresholds.busy, findings)
    if findings.upgrade:
        plan, rates = plans[0] if plans else (None, None)
        return Judgement("upgrade", (*findings.upgrade, *findings.tune), plan, rates)
    _about_backup(backup, findings)
    if findings.tune:
        return Judgement("tune-first", tuple(findings.tune))
    if findings.watch:
        return Judgement("watch", tuple(findings.watch))
    primary = [figures for figures in links if figures.role == "primary"]
    return Judgement("fine", (words.room(max(primary, key=lambda figures: figures.share)),))


def _lacking(links: Sequence[LinkFigures], partial: SitePartial, days: int) -> Reason | None:
    heard = float(partial.covered.mean()) if partial.minutes else 0.0
    if not partial.records:
        return words.NO_FLOWS
    if not partial.covered.any():
        return words.FLOWS_AROUND  # records: those of the days around it too
    if heard < LEAST_COVERAGE or days < LEAST_DAYS:
        return words.too_little(heard, days, LEAST_DAYS)
    if not any(figures.peak_mbps > 0 for figures in links):
        return words.NO_LINK
    return None


def _outgrown(
    profile: Profile, down: LinkFigures, up: LinkFigures, hosts: int, findings: _Findings
) -> list[tuple[str, tuple[float, float]]]:
    """Puts what is outgrown into the findings; the plan that cures it, none where the catalogue has none."""
    busy = profile.thresholds.busy
    outgrown = []
    to_go_by = {}
    for figures in (down, up):
        to_go_by[figures.direction] = figures.p95_mbps
        if figures.share < busy:
            continue
        aside, mbps = _set_aside(figures, busy, hosts, profile)
        to_go_by[figures.direction] = mbps
        if aside is None:
            outgrown.append(words.outgrown(figures, busy))
        else:
            findings.tune.append(aside)
    if not outgrown:
        return []
    wanted = need((down, to_go_by["down"]), (up, to_go_by["up"]), busy)
    found = smallest_plan(profile.plan_catalogue, wanted)
    findings.upgrade += outgrown
    findings.upgrade.append(words.plan(found, wanted, bool(profile.plan_catalogue)))
    return [] if found is None else [found]


def _set_aside(
    figures: LinkFigures, busy: float, hosts: int, profile: Profile
) -> tuple[Reason | None, float]:
    """Why an upgrade would not cure a busy direction, None if it would; and the percentile that a plan has to carry."""
    limit = busy * figures.capacity_mbps
    if figures.share > MOST_OVER_PLAN:
        return words.over_plan(figures), figures.p95_mbps
    talker = figures.talker
    if talker is not None and hosts >= LEAST_HOSTS and talker.p95_without_mbps < limit:
        return words.one_talker(figures, talker, profile), talker.p95_without_mbps
    if figures.work_p95_mbps is not None and figures.work_p95_mbps < limit:
        return words.after_hours(figures), figures.work_p95_mbps
    return None, figures.p95_mbps


def _to_watch(figures: LinkFigures, busy: float, findings: _Findings) -> None:
    if figures.share >= busy:
        return
    months = figures.months
    if (
        figures.trend is not None
        and figures.trend.low > 0
        and months is not None
        and months.expected is not None
        and months.expected <= WATCH_MONTHS
    ):
        findings.watch.append(words.growing(figures, figures.trend, months))
    if figures.episode_days >= WATCH_DAYS:
        findings.watch.append(words.full_times(figures))
    if figures.busy_hour_p95_mbps >= busy * figures.capacity_mbps:
        findings.watch.append(words.busy_hour(figures))


def _about_backup(backup: BackupFigures | None, findings: _Findings) -> None:
    if backup is None or backup.allowance_projected is None or backup.allowance_projected <= 1.0:
        return
    if backup.leaked_octets >= LEAK_PART * max(backup.octets, 1):
        findings.tune.append(words.leaking(backup))
    else:
        findings.watch.append(words.allowance(backup))
