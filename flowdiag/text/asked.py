"""What a sentence has to know of the question and of the export beside its own figures; the diagnoser's case has all of it."""

from __future__ import annotations

from typing import Protocol

from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.usage import Usage
from flowdiag.site.profile import Profile


class Asked(Protocol):
    """window_ms: the time asked about, [from, to) in ms since 1970 UTC; told_ms: the window by which times are told
    (one of several days needs dates); window_given: whether it was named; is_audit: whether
    nobody complained.
    """

    @property
    def profile(self) -> Profile: ...

    @property
    def flows(self) -> SiteFlows: ...

    @property
    def usage(self) -> Usage: ...

    @property
    def coverage(self) -> Coverage: ...

    @property
    def window_ms(self) -> tuple[int, int]: ...

    @property
    def told_ms(self) -> tuple[int, int]: ...

    @property
    def window_given(self) -> bool: ...

    @property
    def is_audit(self) -> bool: ...
