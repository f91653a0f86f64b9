"""The review as HTML: one page for each client to send, which holds that client's sites alone, and one of the portfolio.

As the note: no script, nothing fetched, a policy that forbids both; all text passes jinja2's autoescape.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from flowdiag.note.html import page_style, policy
from flowdiag.note.svg import NARROW, WIDTH
from flowdiag.note.templates import templates_in
from flowdiag.review.as_text import summary
from flowdiag.review.link_figures import LinkFigures
from flowdiag.review.pictures import trend_svg, week_table
from flowdiag.review.portfolio_review import PortfolioReview
from flowdiag.review.site_review import ReviewedSite
from flowdiag.text.figures import plan_rate, rate
from flowdiag.text.wording import review as words
from flowdiag.text.wording import review_pages as wording

INDEX: Final = "index.html"
WIDTHS: Final = (WIDTH, NARROW)  # of pictures: a page's and a phone's
_FOLDER: Final = Path(__file__).parent
_NAME_CHARACTERS: Final = 40


def client_page(sites: Sequence[ReviewedSite], period: str) -> str:
    """The page of one client. sites: all of this client; period: in words."""
    return _rendered(
        "client.html", client=sites[0].client, sites=[_site(site) for site in sites], period=period
    )


def client_part(sites: Sequence[ReviewedSite]) -> str:
    """What stands on a client's page below its heading, as markup for a page with the same style. sites: as client_page()."""
    return _rendered("client_part.html", client=sites[0].client, sites=[_site(site) for site in sites])


def portfolio_page(review: PortfolioReview, pages: dict[str, str] | None = None) -> str:
    """The page of all sites. pages: file names of the clients' pages beside it."""
    return _rendered(
        "portfolio.html",
        sites=review.sites,
        summary=summary(review),
        period=review.period.words,
        pages=pages or {},
    )


def page_names(review: PortfolioReview) -> dict[str, str]:
    """A file name for each client's page: what can stand in a file name everywhere, and a digest that tells apart."""
    names = {}
    for client in review.clients():
        plain = re.sub(r"[^a-z0-9]+", "-", client.lower()).strip("-")[:_NAME_CHARACTERS].strip("-")
        digest = sha256(client.encode("utf-8", "surrogatepass")).hexdigest()[:8]
        names[client] = f"{plain or 'client'}-{digest}.html"
    return names


def _site(site: ReviewedSite) -> dict[str, Any]:
    """What client.html shows of a site."""
    from markupsafe import Markup

    primary = [figures for figures in site.links if figures.role == "primary"]
    usable = site.judgement.advice != "not-enough-data"
    return {
        "site": site,
        "sentences": _sentences(site),
        "primary": primary if usable else [],
        "figures": _figures(primary),
        "weeks": [(_title(figures), week_table(figures, site.busy, site.full)) for figures in primary]
        if usable
        else [],
        "trends": [
            # The svg functions escape all text that they are given (escape.html).
            (
                _title(figures),
                [
                    Markup(
                        trend_svg(
                            figures,
                            figures.trend,
                            site.busy,
                            _title(figures),
                            width,
                        )
                    )
                    for width in WIDTHS
                ],
                figures,
            )
            for figures in primary
            if figures.trend is not None and usable
        ],
        "backup": site.backup if usable else None,
    }


def _figures(links: Sequence[LinkFigures]) -> list[tuple[str, list[str]]]:
    """Each figure's name and its values, one a link and direction."""
    return [
        (wording.PLAN, [plan_rate(link.capacity_mbps) for link in links]),
        (wording.AVERAGE, [words.known(link, rate(link.mean_mbps)) for link in links]),
        (wording.BUSY_TIMES, [words.known(link, rate(link.p95_mbps)) for link in links]),
        (wording.PART_OF_PLAN, [words.known(link, words.per_cent(link.share)) for link in links]),
        (wording.BUSIEST_HOUR, [words.clock_hour(link.busy_hour) for link in links]),
        (wording.BUSY_FOR, [words.known(link, words.hours(link.busy_hours)) for link in links]),
        (wording.FULL_FOR, [words.known(link, words.hours(link.full_hours)) for link in links]),
    ]


def _title(figures: LinkFigures) -> str:
    return wording.line(figures.name, figures.direction)


def _sentences(site: ReviewedSite) -> list[str]:
    """What the reasons say to the client, each once."""
    return list(dict.fromkeys(reason.client for reason in site.judgement.reasons))


def _rendered(template: str, **content: Any) -> str:
    from markupsafe import Markup

    style = _style()
    return (
        templates_in(_FOLDER)
        .get_template(template)
        .render(
            **content,
            style=Markup(style),
            policy=policy(style),
            words=words,
            wording=wording,
            rate=rate,
        )
    )


@cache
def _style() -> str:
    return page_style() + (_FOLDER / "review.css").read_text(encoding="utf-8")
