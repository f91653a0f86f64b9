"""The morning list of some sites, and its forms.

What is acknowledged is no part of the first question: it changes while the list holds, and to write it costs nothing.
"""

from __future__ import annotations

import time
from typing import Final

from msgspec import Struct

from flowdiag.desk.asking.question import Progress, Question
from flowdiag.desk.asking.review_question import AskedSite
from flowdiag.watch.report.reasons import MorningList

SITES_A_PART: Final = 100  # seven seconds for a look at each, at a tenth of a second and more


class MorningQuestion(Question, frozen=True):
    """slot_ms: begin of the quarter of an hour in which it was asked for; the list is of the moment in which it is made, since
    the newest records tell of that one alone."""

    store: str
    sites: tuple[AskedSite, ...]
    slot_ms: int

    @property
    def long(self) -> bool:
        return True

    @property
    def parts(self) -> int:
        return -(-len(self.sites) // SITES_A_PART) or 1

    def state(self) -> str:
        return "slot"

    def answer(self, progress: Progress) -> MorningList:
        """Raises StoreError."""
        from flowdiag.errors import FlowdiagError
        from flowdiag.site.reading import read_profile
        from flowdiag.watch.report.morning import morning_list
        from flowdiag.watch.report.sites import ReportSite

        sites = []
        for site in self.sites:
            profile, fault = None, ""
            try:
                profile = read_profile(site.file)
            except FlowdiagError as error:
                error.file = f"{site.place}.toml"  # what people see in place of the server's path
                fault = str(error)
            sites.append(ReportSite(site.place, site.client, profile, fault))
        return morning_list(self.store, sites, time.time_ns() // 1_000_000, progress=progress)


class MorningForms(Struct, frozen=True):
    """part: below the heading of a page, markup; page: a file of its own."""

    part: str
    page: str
    csv: str
    json: str


class MorningFormsQuestion(Question, frozen=True):
    """The forms of a list, with what is acknowledged in it."""

    morning: MorningList

    def state(self) -> str:
        return "list"

    def answer(self, progress: Progress) -> MorningForms:
        from flowdiag.watch.report import as_csv, as_html, as_json

        return MorningForms(
            part=as_html.part(self.morning),
            page=as_html.render(self.morning),
            csv=as_csv.render(self.morning),
            json=as_json.render(self.morning),
        )
