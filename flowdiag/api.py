"""What Python programs and notebooks ask: the same answers as the commands, as objects and pandas tables.

`import flowdiag` offers all of it; what each function needs is loaded when it is called. Times are time-zone-aware, in the
site's own zone; rates are in Mbit/s with the framing of the link, octets and packets scaled for sampling.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec.structs import asdict

from flowdiag.diagnoser.diagnosis import Diagnosis as Diagnosed
from flowdiag.text.wording.coverage import told

if TYPE_CHECKING:
    import pandas as pd

    from flowdiag.aggregator.partials import Measure
    from flowdiag.aggregator.top_keys import Kind
    from flowdiag.collector.export import Paths
    from flowdiag.pipeline import Direction
    from flowdiag.site.profile import Profile


class Diagnosis(Diagnosed, frozen=True, eq=False):
    """A diagnosis that tells itself: to_json(), to_html(), to_text(), and as a page in a notebook."""

    def to_json(self, *, ticket: str | None = None) -> str:
        """The note as JSON, schema flowdiag.note/1."""
        from flowdiag.note.compose import compose
        from flowdiag.note.json_note import render

        return render(compose(self, ticket=ticket))

    def to_html(self, *, ticket: str | None = None) -> str:
        """The note as one HTML file."""
        from flowdiag.note.compose import compose
        from flowdiag.note.html import render

        return render(compose(self, ticket=ticket))

    def to_text(self, *, ticket: str | None = None) -> str:
        """The note as plain text."""
        from flowdiag.note.compose import compose
        from flowdiag.note.text import render

        return render(compose(self, ticket=ticket), on_terminal=False)

    def _repr_html_(self) -> str:
        from html import escape

        # A page of its own inside the notebook's: its style and policy hold for it alone.
        page = escape(self.to_html())
        return f'<iframe srcdoc="{page}" sandbox style="width: 100%; height: 40em; border: 0"></iframe>'


def read_profile(path: str | Path) -> Profile:
    """A site profile. Raises ProfileError, whose lines say what is wrong."""
    from flowdiag.site.reading import read_profile as read

    return read(path)


def diagnose(
    paths: Paths,
    profile: Profile | str | Path,
    *,
    window_from: str | None = None,
    window_to: str | None = None,
    reported: str | None = None,
    link: str | None = None,
    direction: Direction | None = None,
) -> Diagnosis:
    """What `flowdiag diagnose` finds: verdict, findings, figures and rankings.

    paths: exports, folders of them, or a flow store; profile: of the site, or its file; window_from, window_to: the time of
    the complaint as the command takes it; reported: what the client said; link, direction: figures and findings of these
    alone. Raises ExportError, ProfileError, UsageError.
    """
    from flowdiag.pipeline import run

    found = run(
        _listed(paths),
        _profile(profile),
        window_from=window_from,
        window_to=window_to,
        reported=reported,
        link=link,
        direction=direction,
    )
    return Diagnosis(**asdict(found))


def usage(
    paths: Paths,
    profile: Profile | str | Path,
    *,
    window_from: str | None = None,
    window_to: str | None = None,
    window_s: float | None = None,
    link: str | None = None,
    direction: Direction | None = None,
) -> pd.DataFrame:
    """Each link's rate over time, one row a window.

    Index: link (str), direction ("down", "up"), start (datetime64[ms] in the site's zone). Columns, all float64 but the last:
    seconds (length of the window), capacity_mbps, mbps (spread evenly), lower_mbps and upper_mbps (the least and most that
    the flows' times allow), state (category: ok, busy, full, unknown; where it is unknown the rates are NaN). attrs: site,
    notes. window_s: length of the windows in seconds; that in which figures are kept for None. Otherwise as diagnose().
    """
    from flowdiag.export_usage import report_usage
    from flowdiag.frames import usage_frame

    report = report_usage(
        _listed(paths),
        _profile(profile),
        window_from=window_from,
        window_to=window_to,
        window_ms=None if window_s is None else round(window_s * 1000),
        link=link,
        direction=direction,
    )
    frame = usage_frame(report)
    return _with_attributes(frame, {"site": report.site, "notes": list(told(report.remarks))})


def top(
    paths: Paths,
    kind: Kind,
    profile: Profile | str | Path | None = None,
    *,
    by: Measure = "octets",
    limit: int | None = 20,
    window_from: str | None = None,
    window_to: str | None = None,
    link: str | None = None,
    direction: Direction | None = None,
) -> pd.DataFrame:
    """A ranking: kind is talkers, applications, destinations or conversations; by: octets, packets or flows.

    Index: rank, from 1. Columns: key, or inside, outside, application for conversations (str); label (str, None without
    one); octets, packets, flows (int64); share (float64, of the total in the measure ranked by); mean_mbps, peak_mbps (float64,
    the peak of a minute, NaN where a long time is ranked from a store's roll-ups); bound_octets (int64, the most octets that
    the row may lack, 0 where it is exact); first, last (datetime64[ms] in the site's zone). attrs: total and rest (octets),
    notes. Otherwise as diagnose(); without a profile private networks count as inside.
    """
    from flowdiag.aggregator.site_flows import DIRECTION_NAMES
    from flowdiag.aggregator.top_ranking import Request
    from flowdiag.errors import UsageError
    from flowdiag.export_ranking import rank_export
    from flowdiag.frames import ranking_frame
    from flowdiag.pipeline import link_named

    site = None if profile is None else _profile(profile)
    if link is not None and site is None:
        raise UsageError("link needs a profile", advice="the profile says which interfaces a link has")
    request = Request(
        kind=kind,
        by=by,
        limit=limit,
        link=None if link is None or site is None else link_named(site, link),
        direction=None if direction is None else DIRECTION_NAMES.index(direction),
        window_from=window_from,
        window_to=window_to,
    )
    found = rank_export(_listed(paths), site, request)
    frame = ranking_frame(found.whole, kind, found.timezone)
    attributes = {
        "total": found.whole.total_octets,
        "rest": found.whole.rest_octets,
        "notes": list(told(found.remarks)),
    }
    return _with_attributes(frame, attributes)


def review(
    store: str | Path,
    sites: str | Path,
    *,
    month: str | None = None,
    period_from: str | None = None,
    period_to: str | None = None,
    jobs: int = 1,
) -> pd.DataFrame:
    """Which sites have outgrown their plan: one row a site, the most urgent first.

    Index: rank, from 1. Columns: those of the review's CSV (docs/reference/review.md); rates, shares and hours float64,
    counts Int64 (empty where there is no backup). store: of flows; sites: a folder of profiles; month: YYYY-MM, or
    period_from and period_to. attrs: period, left_out (one line a profile that could not be used). Raises StoreError,
    ProfileError, UsageError.
    """
    import pandas as pd

    from flowdiag.collector.store.opening import open_backend
    from flowdiag.review.frame import site_frame
    from flowdiag.review.period import chosen_period
    from flowdiag.review.portfolio_review import review as reviewed
    from flowdiag.review.sites import read_sites

    known, faults = read_sites(sites)
    period = chosen_period(open_backend(store), month, period_from, period_to)
    done = reviewed(str(store), known, period, jobs=jobs)
    frame = site_frame(done).set_index("rank").convert_dtypes()
    whole = [name for name in frame if pd.api.types.is_float_dtype(frame[name])]
    frame = frame.astype(dict.fromkeys(whole, "float64"))
    return _with_attributes(frame, {"period": period.words, "left_out": [str(fault) for fault in faults]})


def _listed(paths: Paths) -> list[str | Path]:
    return [paths] if isinstance(paths, str | Path) else list(paths)


def _profile(given: Profile | str | Path) -> Profile:
    return read_profile(given) if isinstance(given, str | Path) else given


def _with_attributes(frame: pd.DataFrame, attributes: Mapping[str, Any]) -> pd.DataFrame:
    frame.attrs.update(attributes)
    return frame
