"""The case in hand: everything a finding may look at."""

from __future__ import annotations

from dataclasses import dataclass

from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.usage import Usage
from flowdiag.site.profile import Profile


@dataclass(frozen=True, eq=False)
class Case:
    """window_ms: the complaint's window [from, to) in ms since 1970 UTC (all of the export when not given).

    usage is on 60 s windows over the whole export, not only the complaint's window; flows likewise.
    reported: what the client said; None, empty or blank means an audit, not a complaint.
    """

    profile: Profile
    flows: SiteFlows
    usage: Usage
    coverage: Coverage
    window_ms: tuple[int, int]
    window_given: bool = False
    reported: str | None = None

    @property
    def is_audit(self) -> bool:
        """Whether nobody complained: what was reported is missing or blank."""
        return not (self.reported or "").strip()
