"""Windows of a report: at --from, else at the site's midnight; cut by --to alone."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from flowdiag.aggregator.report_windows import Asked, report_windows, without_flows
from flowdiag.text.wording.coverage import told

AUCKLAND, KOLKATA, UTC = (ZoneInfo(name) for name in ("Pacific/Auckland", "Asia/Kolkata", "UTC"))
HOUR = 3_600_000


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def starts(span: tuple[str, str], step_ms: int, zone: ZoneInfo, **asked: bool) -> list[str]:
    """Edges of the windows as local times."""
    grid = report_windows((ms(span[0]), ms(span[1])), step_ms, zone, Asked(**asked))
    return [
        datetime.fromtimestamp(edge / 1000, zone).strftime("%d %H:%M:%S") for edge in grid.edges().tolist()
    ]


def test_windows_stand_on_multiples_since_the_sites_midnight() -> None:
    span = "2026-03-03T12:59:59+13:00", "2026-03-03T14:10:00+13:00"
    assert starts(span, HOUR, AUCKLAND) == ["03 12:00:00", "03 13:00:00", "03 14:00:00", "03 15:00:00"]
    # Half an hour off UTC: hours begin at the full local hour.
    assert starts(("2026-03-03T10:20:00+05:30", "2026-03-03T10:40:00+05:30"), HOUR, KOLKATA) == [
        "03 10:00:00",
        "03 11:00:00",
    ]


def test_a_window_of_a_day_is_a_local_day() -> None:
    span = "2026-03-03T12:59:59+13:00", "2026-03-04T14:10:00+13:00"
    assert starts(span, 24 * HOUR, AUCKLAND) == ["03 00:00:00", "04 00:00:00", "05 00:00:00"]


def test_windows_begin_at_from_and_end_at_to() -> None:
    span = "2026-03-03T14:07:00+13:00", "2026-03-03T14:18:30+13:00"
    five = 300_000
    assert starts(span, five, AUCKLAND, begin=True, end=True) == [
        "03 14:07:00",
        "03 14:12:00",
        "03 14:17:00",
        "03 14:18:30",
    ]
    assert starts(span, five, AUCKLAND, begin=True)[-1] == "03 14:22:00"
    assert starts(span, five, AUCKLAND, end=True)[:1] == ["03 14:05:00"]


def test_after_a_change_of_the_clocks_windows_keep_their_length() -> None:
    # New Zealand's clocks went back by an hour on 5 April 2026 at 3:00.
    span = "2026-04-05T00:30:00+13:00", "2026-04-05T05:00:00+12:00"
    assert starts(span, 6 * HOUR, AUCKLAND) == ["05 00:00:00", "05 05:00:00"]


@pytest.mark.parametrize("step", [1000, 60_000, HOUR])
def test_there_is_one_window_at_least(step: int) -> None:
    moment = ms("2026-03-03T12:00:00+00:00")
    assert report_windows((moment, moment), step, UTC, Asked()).windows == 1


def test_a_span_without_flows_says_what_there_is() -> None:
    first, last = ms("2026-03-03T12:00:00+00:00"), ms("2026-03-03T13:00:00.500+00:00")
    assert told([without_flows(first, last, UTC)]) == (
        "No flow lies in this time; the export covers 2026-03-03T12:00:00+00:00 to 2026-03-03T13:00:00+00:00.",
    )
    assert told([without_flows(None, None, UTC)]) == ("The export has no flows that can be used.",)


def test_days_begin_at_the_midnight_of_their_own_date() -> None:
    # Five days after the change of the clocks, and three weeks after the other offset.
    span = "2026-04-10T12:00:00+12:00", "2026-04-10T13:00:00+12:00"
    assert starts(span, 24 * HOUR, AUCKLAND) == ["10 00:00:00", "11 00:00:00"]
