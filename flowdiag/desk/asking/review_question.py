"""The account review of some sites, and the page of one client out of it."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any, Final

from msgspec import Struct

from flowdiag.desk.asking.question import Progress, Question
from flowdiag.errors import FlowdiagError
from flowdiag.site.catalogue import KnownSite

if TYPE_CHECKING:
    from flowdiag.review.portfolio_review import PortfolioReview
    from flowdiag.review.site_review import ReviewedSite


# A month of so many sites that nobody reviewed yet takes some 20 s by roll-ups, and minutes without; the next review seconds.
SITES_A_PART: Final = 20


class AskedSite(Struct, frozen=True):
    """As KnownSite; file: of its profile."""

    key: str
    place: str
    client: str
    file: str
    digest: str


class ReviewRow(Struct, frozen=True):
    """One site of the table, in the order of urgency. rank: from 1; tightest: link and direction nearest to its plan; share: of
    that plan, 1 for all of it; trend: per cent a month, None where there is none; words: of advice, p95_mbps, share, busy_hours
    and trend, by the name of the figure."""

    rank: int
    key: str
    site: str
    client: str
    advice: str
    plan: str | None
    short: str
    reasons: tuple[str, ...]
    tightest: str
    p95_mbps: float
    share: float
    busy_hours: float
    trend: float | None
    words: dict[str, str]


class ReviewAnswer(Struct, frozen=True):
    """period: in words; summary: how many got which advice; faults: of profiles that could not be reviewed; csv, json, xlsx:
    the files that `flowdiag review` writes."""

    period: str
    summary: str
    rows: tuple[ReviewRow, ...]
    faults: tuple[str, ...]
    csv: str
    json: str
    xlsx: bytes


class ClientAnswer(Struct, frozen=True):
    """A client's page: as part of a page (markup), and as a file of its own. period: in words."""

    client: str
    period: str
    part: str
    page: str


class _Reviewing(Question, frozen=True):
    """store: where the flows lie; sites: that are reviewed; month: YYYY-MM, None for the newest 31 days."""

    store: str
    sites: tuple[AskedSite, ...]
    month: str | None = None

    @property
    def long(self) -> bool:
        return True

    @property
    def parts(self) -> int:
        return -(-len(self.sites) // SITES_A_PART) or 1

    def state(self) -> str | None:
        """All files of the sites: the trend looks half a year back."""
        from flowdiag.collector.store.finding import find_files
        from flowdiag.collector.store.opening import open_backend

        profiles, _ = self._profiles()
        exporters: set[bytes] | None = set()
        for _, profile in profiles:
            own = profile.site.exporter_octets
            exporters = None if exporters is None or own is None else exporters | own
        digest = hashlib.sha256()
        for file in find_files(open_backend(self.store), exporters):
            digest.update(f"{file.target}\n".encode())
        return digest.hexdigest()

    def _review(self, progress: Progress) -> tuple[PortfolioReview, tuple[str, ...]]:
        """The review, and what is wrong with profiles that cannot be reviewed. Raises StoreError, UsageError, and the
        ProfileError of the first where none can."""
        from flowdiag.collector.store.opening import open_backend
        from flowdiag.review.period import chosen_period
        from flowdiag.review.portfolio_review import review
        from flowdiag.review.sites import ReviewSite

        profiles, faults = self._profiles()
        if not profiles and faults:
            raise faults[0]
        sites = [ReviewSite(site.client, f"{site.place}.toml", profile) for site, profile in profiles]
        period = chosen_period(open_backend(self.store), self.month, None, None)
        return review(self.store, sites, period, jobs=1, progress=progress), tuple(map(str, faults))

    def _profiles(self) -> tuple[list[tuple[AskedSite, Any]], list[FlowdiagError]]:
        from flowdiag.aggregator.plan_rates import with_plan_rates
        from flowdiag.site.reading import read_profile

        found, faults = [], []
        for site in self.sites:
            name = f"{site.place}.toml"  # what people see in place of the server's path
            try:
                found.append((site, with_plan_rates(read_profile(site.file), name)))
            except FlowdiagError as error:
                error.file = name
                faults.append(error)
        return found, faults


class ReviewQuestion(_Reviewing, frozen=True):
    """The review of all these sites."""

    def answer(self, progress: Progress) -> ReviewAnswer:
        from flowdiag.review import as_csv, as_json, as_xlsx
        from flowdiag.review.as_text import summary

        done, faults = self._review(progress)
        keys = {f"{site.place}.toml": site.key for site in self.sites}
        return ReviewAnswer(
            period=done.period.words,
            summary=summary(done),
            rows=tuple(_row(rank, site, keys[site.file]) for rank, site in enumerate(done.sites, 1)),
            faults=faults,
            csv=as_csv.render(done),
            json=as_json.render(done),
            xlsx=as_xlsx.render(done),
        )


class ClientQuestion(_Reviewing, frozen=True):
    """The page of the client whose sites these are, all of them."""

    def answer(self, progress: Progress) -> ClientAnswer:
        from flowdiag.review.pages import client_page, client_part

        done, _ = self._review(progress)
        period = done.period.words
        return ClientAnswer(
            client=done.sites[0].client,
            period=period,
            part=client_part(done.sites),
            page=client_page(done.sites, period),
        )


def asked_site(site: KnownSite) -> AskedSite:
    return AskedSite(site.key, site.place, site.client, site.file, site.digest)


def _row(rank: int, site: ReviewedSite, key: str) -> ReviewRow:
    from flowdiag.text.figures import rate
    from flowdiag.text.wording.review import (
        ADVICE_WORDS,
        UNKNOWN,
        WAYS,
        change,
        hours,
        in_short,
        known,
        per_cent,
    )

    figures, advice = site.tightest, site.judgement.advice
    trend = None if figures.trend is None else figures.trend.percent(figures.trend.slope)
    return ReviewRow(
        rank=rank,
        key=key,
        site=site.site,
        client=site.client,
        advice=advice,
        plan=site.judgement.plan,
        short=in_short(site.judgement.reasons),
        reasons=tuple(reason.text for reason in site.judgement.reasons),
        tightest=known(figures, f"{figures.name} {WAYS[figures.direction]}"),
        p95_mbps=figures.p95_mbps,
        share=figures.share,
        busy_hours=figures.busy_hours,
        trend=trend,
        words={
            "advice": ADVICE_WORDS[advice],
            "p95_mbps": known(figures, rate(figures.p95_mbps)),
            "share": known(figures, per_cent(figures.share)),
            "busy_hours": known(figures, hours(figures.busy_hours)),
            "trend": UNKNOWN if trend is None else change(trend),
        },
    )
