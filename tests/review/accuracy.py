"""Reviews portfolios whose truth is known, and counts what was advised rightly."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from flowdiag.review.period import month_period
from flowdiag.review.portfolio_review import PortfolioReview, review
from flowdiag.review.sites import read_sites
from flowdiag.scenario.portfolio import portfolio_site
from flowdiag.scenario.stored_days import Written


@dataclass
class Accuracy:
    """rows: kind and advice, and how often. upgrades: upgrade advice is right where it is given to outgrown sites and
    not to others, of all sites. plans: upgrades whose plan brings the drawn demand under the threshold, and no smaller one
    of the catalogue does. runaways: upgrades of sites whose peak is one host's job.
    """

    sites: int = 0
    right: int = 0
    upgrades: int = 0
    upgraded: int = 0
    plans: int = 0
    runaways: int = 0
    rows: Counter[tuple[str, str]] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


def measured(done: Written, month: str, first: datetime, days: int, jobs: int) -> Accuracy:
    """The accuracy of the review of a portfolio that was written from `first` on."""
    sites, _ = read_sites(done.sites)
    reviewed = review(str(done.store), sites, month_period(month), jobs=jobs)
    return _judged(reviewed, done.truth, first, days)


def _judged(reviewed: PortfolioReview, truth_file: Path, first: datetime, days: int) -> Accuracy:
    accuracy = Accuracy()
    truth = {told["site"]: told for told in json.loads(truth_file.read_text())}
    for site in reviewed.sites:
        told = truth[site.site]
        advice = site.judgement.advice
        accuracy.sites += 1
        accuracy.right += advice == told["advice"]
        accuracy.upgrades += (advice == "upgrade") == (told["advice"] == "upgrade")
        accuracy.runaways += advice == "upgrade" and told["kind"] == "runaway"
        accuracy.rows[told["kind"], advice] += 1
        if advice == told["advice"] == "upgrade":
            accuracy.upgraded += 1
            accuracy.plans += _plan_is_right(site.site, site.judgement.plan, first, days)
        if advice != told["advice"]:
            reasons = "; ".join(reason.text for reason in site.judgement.reasons)
            accuracy.wrong.append(f"{site.site} ({told['kind']}): {advice}: {reasons}")
    return accuracy


def _plan_is_right(name: str, plan: str | None, first: datetime, days: int) -> bool:
    """Whether the plan keeps the demand of the last month, as it was drawn and carried, at or under 70 %."""
    drawn = portfolio_site(int(name.rsplit(" ", 1)[1]), first, days, 1)
    link = drawn.site.links[0]
    if plan is None:
        return link.name == "Line 500"  # twice its need is more than the largest plan
    rates = drawn.site.plan_catalogue[plan]
    last = drawn.shares[0, :, -31 * 288 :]
    used = [sorted(last[way])[int(0.95 * last.shape[1]) - 1] * link.capacity_mbps(way) for way in (0, 1)]
    return all(mbps <= 0.7 * rate * 1.01 for mbps, rate in zip(used, rates, strict=True))
