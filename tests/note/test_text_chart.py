"""Block charts, against rates set by hand."""

from msgspec.structs import replace

from flowdiag.note.layout import plain
from flowdiag.note.text_chart import chart_lines, grouped
from flowdiag.text.clock import Clock
from tests.note.building import Traffic, charts, full_upload, ms
from tests.note.situations import mostly_silent

CLOCK = Clock("Pacific/Auckland")


def drawn(chart_number: int, traffic: Traffic, **case: object) -> list[str]:
    chart = charts(traffic.case(**case))[chart_number]  # type: ignore[arg-type]
    return plain(chart_lines(chart, CLOCK, 100)).splitlines()


def test_heights_are_shares_of_the_plan() -> None:
    # 50 Mbit/s of 100: two rows of a fifth and half of the third; 100 Mbit/s: all five.
    lines = drawn(0, Traffic(4).flow(0, 2, "fibre", down=50.0).flow(2, 4, "fibre", down=100.0))
    assert [line[11:] for line in lines[1:6]] == ["▔▔██", "  ██", "▄▄██", "████", "████"]
    assert [line[:9].strip() for line in lines[1:6]] == ["100%", "80%", "60%", "40%", "20%"]


def test_what_passes_the_plan_gets_rows_above_it() -> None:
    lines = drawn(0, Traffic(4).flow(0, 4, "fibre", down=120.0))
    assert lines[1].startswith("    120% │ ████")
    assert lines[2].startswith("    100% │ ████")


def test_full_and_busy_minutes_the_window_and_the_state_have_rows_of_their_own() -> None:
    chart = charts(full_upload().case)[1]
    lines = plain(chart_lines(chart, CLOCK, 100)).splitlines()
    assert lines[0] == "  fibre, upload: 100% is 20 Mbit/s; a column is 2 minutes"
    rows = {line[:9].strip(): line[11:] for line in lines}
    assert (
        rows["load"] == " " * 18 + "F" * 18
    )  # 14:16 to 14:53 from 13:40 on; the last minute is half a column
    assert rows["asked"] == " " * 15 + "=" * 20
    assert rows["state"] == "━" * 50


def test_the_shortest_time_asked_about_has_its_mark_and_no_time_has_none() -> None:
    asked = Traffic(300).office().case(window=(100, 101))  # a column is a minute of 13:40-30 to 14:41+30
    asked = replace(asked, window_ms=(ms(100) + 40_000, ms(100) + 50_000))
    (row,) = [
        line for line in plain(chart_lines(charts(asked)[0], CLOCK, 100)).splitlines() if "asked" in line
    ]
    assert row[11:] == " " * 30 + "="
    assert not any("asked" in line for line in drawn(0, Traffic(300).office()))


def test_a_busy_link_is_marked_so() -> None:
    lines = drawn(0, Traffic(30).flow(10, 20, "fibre", down=80.0))
    rows = {line[:9].strip(): line[11:] for line in lines}
    assert rows["load"] == " " * 10 + "b" * 10


def test_gaps_are_gaps() -> None:
    chart = charts(mostly_silent().case)[0]
    lines = plain(chart_lines(chart, CLOCK, 100)).splitlines()
    assert lines[5][11:] == "▃" * 10 + "░" * 40 + "▃" * 10


def test_an_unused_link_is_a_line_of_text() -> None:
    lines = drawn(2, Traffic(10).office())
    assert lines == ["  lte, download: 100% is 30 Mbit/s; never above 2% of it, silent throughout"]
    lines = drawn(0, Traffic(10).office(), unheard=(0, 10))
    assert lines == ["  fibre, download: 100% is 100 Mbit/s; no records in this time"]


def test_steps_are_joined_by_their_means() -> None:
    assert grouped((1.0, 3.0, None, 5.0, None, None), 2) == [2.0, 5.0, None]
