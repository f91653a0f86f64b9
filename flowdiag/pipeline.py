"""The main job from end to end: an export and a site profile in, a diagnosis out."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Literal

from msgspec.structs import replace

from flowdiag.aggregator.build import build_case_data
from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.plan_rates import require_plan_rates
from flowdiag.aggregator.ranking import rank_applications, rank_destinations, rank_talkers
from flowdiag.aggregator.site_flows import DIRECTION_NAMES
from flowdiag.aggregator.time_outliers import MAX_DAYS
from flowdiag.collector.export import open_export
from flowdiag.collector.readers.inputs import Progress
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.asking import asked_again
from flowdiag.collector.untaught import refuse_untaught
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.diagnoser.finding import Finding
from flowdiag.durations import DAY_MS, HOUR_MS
from flowdiag.errors import UsageError
from flowdiag.long_exports import TooMuchAtOnce, as_store, at_once, can_be_read_twice
from flowdiag.long_times import ORDINARY, Effort, long_case
from flowdiag.query_plan import plan
from flowdiag.query_times import asked_times
from flowdiag.site.profile import Profile
from flowdiag.site.window import resolve_window
from flowdiag.text.wording.coverage import cut
from flowdiag.text.wording.note import only_of

Direction = Literal["down", "up"]


def run(
    paths: Sequence[str | Path],
    profile: Profile,
    *,
    window_from: str | None = None,
    window_to: str | None = None,
    reported: str | None = None,
    link: str | None = None,
    direction: Direction | None = None,
    progress: Progress | None = None,
    effort: Effort | None = ORDINARY,
) -> Diagnosis:
    """Diagnoses an export.

    window_from, window_to: the complaint's window as site/window.py reads it, counted back from the newest flow where it
    has no date, all of the export where both are None; reported: what the client said; link, direction: show figures and
    findings of these only; progress: told of octets read and octets in all; effort: as for build_case(). Raises
    ExportError for an export that cannot be used, UsageError for a window or link that does not exist, ProfileError for a
    profile without plan rates.
    """
    wanted = None if link is None else link_named(profile, link)
    case = build_case(
        paths,
        profile,
        window_from=window_from,
        window_to=window_to,
        reported=reported,
        progress=progress,
        effort=effort,
    )
    diagnosis = diagnose(case)
    return diagnosis if wanted is None and direction is None else restricted(diagnosis, wanted, direction)


@asked_again
def build_case(
    paths: Sequence[str | Path],
    profile: Profile,
    *,
    window_from: str | None = None,
    window_to: str | None = None,
    reported: str | None = None,
    progress: Progress | None = None,
    context: bool = True,
    effort: Effort | None = ORDINARY,
) -> Case:
    """Reads an export into the case that findings look at. Arguments and errors as for run().

    context: of a flow store, read the days around the window too; effort: for a long time of a store, which roll-ups answer;
    None: by all flows in any case.
    """
    exporters = profile.site.exporter_octets
    zone = profile.site.timezone
    asked = asked_times(paths, window_from, window_to, zone, exporters)
    window_from, window_to = asked.window_from, asked.window_to
    if effort is not None:
        long = long_case(paths, profile, window_from, window_to, reported, effort)
        if long is not None:
            return long
    beside = ORDINARY.beside if effort is None else effort.beside
    reading = plan(paths, window_from, window_to, zone, exporters, context=context, cheap_rows=beside)
    export = open_export(paths, exporters=exporters, progress=progress, span=reading.span)
    if reading.cut_ms is not None:
        export.report.notes.append(cut(reading.cut_ms // HOUR_MS))
    batches = export.batches()
    if effort is not None and can_be_read_twice(paths):
        batches = at_once(batches, effort)
    data = None
    with suppress(TooMuchAtOnce):  # and what was read goes with it
        data = build_case_data(batches, export.report, profile, export.expected)
    if data is None:
        del export, batches
        with as_store(paths) as store:
            return build_case(
                [store],
                profile,
                window_from=window_from,
                window_to=window_to,
                reported=reported,
                context=context,
                effort=effort,
            )
    flows, usage, coverage = data
    refuse_untaught(export.report, paths)
    require_plan_rates(profile, usage)
    first_ms, last_ms = span(coverage, export.report)
    window_ms = resolve_window(window_from, window_to, zone, first_ms, last_ms)
    return Case(
        profile=profile,
        flows=flows,
        usage=usage,
        coverage=coverage,
        window_ms=window_ms,
        window_given=window_from is not None or window_to is not None,
        reported=(reported or "").strip() or None,
    )


def span(coverage: Coverage, report: ExportReport) -> tuple[int | None, int | None]:
    """First and last flow time; where no flow has times, first and last message,
    MAX_DAYS apart at most. ms since 1970 UTC."""
    if coverage.first_ms is not None and coverage.last_ms is not None:
        return coverage.first_ms, coverage.last_ms
    firsts = [s.first_export_ms for s in report.sessions if s.first_export_ms is not None]
    lasts = [s.last_export_ms for s in report.sessions if s.last_export_ms is not None]
    if not firsts or not lasts:
        return min(firsts, default=None), max(lasts, default=None)
    # One message with a wrong clock would make a window of decades.
    return max(min(firsts), max(lasts) - MAX_DAYS * DAY_MS), max(lasts)


def link_named(profile: Profile, name: str) -> int:
    """Position of a link of the profile. Raises UsageError that lists the names there are."""
    for number, link in enumerate(profile.link):
        if link.name.casefold() == name.strip().casefold():
            return number
    raise UsageError(
        f"--link: the profile has no link {name[:60]!r}",
        expected=" or ".join(f'"{link.name}"' for link in profile.link) or "a profile with links",
    )


def restricted(diagnosis: Diagnosis, link: int | None, direction: Direction | None) -> Diagnosis:
    """The diagnosis with figures and findings of one link (by position) or direction only.

    The verdict explains the complaint and is left as it is, with the finding it rests on. Findings without a
    link or direction of their own concern all of them and stay.
    """
    case = diagnosis.case
    flows, profile = case.flows, case.profile
    name = None if link is None else profile.link[link].name
    mask = flows.link >= 0 if link is None else flows.link == link
    if direction is not None:
        mask &= flows.direction == DIRECTION_NAMES.index(direction)

    def stays(finding: Finding) -> bool:
        if finding is diagnosis.verdict.finding:
            return True
        return (name is None or finding.link in (None, name)) and (
            direction is None or finding.direction in (None, direction)
        )

    return replace(
        diagnosis,
        findings=tuple(finding for finding in diagnosis.findings if stays(finding)),
        links=tuple(figures for figures in diagnosis.links if name is None or figures.name == name),
        talkers=rank_talkers(flows, profile, case.window_ms, mask=mask, limit=len(diagnosis.talkers)),
        applications=rank_applications(
            flows, profile, case.window_ms, mask=mask, limit=len(diagnosis.applications)
        ),
        destinations=rank_destinations(
            flows, profile, case.window_ms, mask=mask, limit=len(diagnosis.destinations)
        ),
        cautions=(
            *diagnosis.cautions,
            only_of(name, direction),
        ),
    )
