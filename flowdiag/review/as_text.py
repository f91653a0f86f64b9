"""The review for a terminal: the ranking as a table, then each site's in plain words and with the figures behind it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Final

from rich import box
from rich.console import RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from flowdiag.review.advice import ADVICE
from flowdiag.review.portfolio_review import PortfolioReview
from flowdiag.review.site_review import ReviewedSite
from flowdiag.text.escape import terminal
from flowdiag.text.figures import bare_rate
from flowdiag.text.table_figures import printed
from flowdiag.text.wording import review_pages as wording
from flowdiag.text.wording.review import ADVICE_WORDS, WAYS, change, in_short, known, per_cent

MOST_WIDTH: Final = 20  # of a site's longest word: up to this the other columns give way
NONE: Final = "-"  # in place of a figure

_STYLES = {"upgrade": "bold red", "tune-first": "yellow", "watch": "cyan"}


def render(review: PortfolioReview, *, limit: int, on_terminal: bool) -> str:
    """limit: sites that are shown, 0 for all."""
    return printed(_sections(review, limit or len(review.sites)), on_terminal=on_terminal)


def summary(review: PortfolioReview) -> str:
    """How many sites there are, and how many got which advice."""
    counts = Counter(site.judgement.advice for site in review.sites)
    return wording.summary(len(review.sites), [(code, counts[code]) for code in ADVICE if counts[code]])


def _sections(review: PortfolioReview, limit: int) -> Iterator[RenderableType]:
    shown = review.sites[:limit]
    yield Text(wording.of_period(wording.TITLE, review.period.words))
    yield Text(summary(review))
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("", justify="right")
    words = (word for site in shown for word in terminal(site.site).split())
    table.add_column(
        wording.SITE, overflow="fold", ratio=1, min_width=min(MOST_WIDTH, max(map(len, words), default=0))
    )
    advice, tightest, *names = wording.COLUMNS
    table.add_column(advice)
    table.add_column(tightest, overflow="fold")
    for name in names:
        table.add_column(name, justify="right")
    for rank, site in enumerate(shown, 1):
        figures, trend = site.tightest, site.tightest.trend
        table.add_row(
            str(rank),
            Text(terminal(site.site)),
            Text(ADVICE_WORDS[site.judgement.advice], _STYLES.get(site.judgement.advice, "")),
            Text(known(figures, terminal(f"{figures.name} {WAYS[figures.direction]}"), NONE)),
            known(figures, bare_rate(figures.p95_mbps), NONE),
            known(figures, per_cent(figures.share), NONE),
            known(figures, f"{figures.busy_hours:.0f} h", NONE),
            NONE if trend is None else change(trend.percent(trend.slope)),
        )
    yield table
    for rank, site in enumerate(shown, 1):
        yield Text(terminal(f"{rank}. {site.site}: {in_short(site.judgement.reasons)}"))
        for reason in _reasons(site):
            yield Padding(Text(terminal(reason)), (0, 0, 0, 3))
    if len(shown) < len(review.sites):
        yield Text(wording.more(len(review.sites) - len(shown)))
    problems = sum(len(site.problems) for site in review.sites)
    if problems:
        yield Text(wording.unusable(problems))


def _reasons(site: ReviewedSite) -> Iterator[str]:
    yield from (reason.text for reason in site.judgement.reasons)
    months = site.tightest.months
    if site.judgement.advice == "fine" and months is not None and months.expected:
        yield wording.if_it_goes_on(months)
