"""Pictures: coordinates worked out by hand, marks that differ by more than colour."""

import re
from xml.etree import ElementTree

import pytest
from msgspec.structs import force_setattr, replace

from flowdiag.note.svg import (
    CHARACTER,
    LEFT,
    NARROW,
    PLOT,
    RIGHT,
    TOP,
    WIDTH,
    Frame,
    element,
    number,
    path,
    stairs,
)
from flowdiag.note.svg_chart import SWATCH, chart_svg
from flowdiag.note.svg_stack import stack_svg
from flowdiag.text.clock import Clock
from tests.note.building import FULL_UPLOAD, Traffic, charts, full_upload, ms, resting_on, stack
from tests.note.situations import leak_in_an_audit, mostly_silent, on_backup

CLOCK = Clock("Pacific/Auckland")
NAME = "{http://www.w3.org/2000/svg}"
FRAME = Frame("k", 0, 1_000, capacity_mbps=10.0, top_share=1.0, height=200.0)


def parsed(source: str) -> ElementTree.Element:
    return ElementTree.fromstring(source)


def of_class(root: ElementTree.Element, kind: str) -> list[ElementTree.Element]:
    return [part for part in root.iter() if kind in (part.get("class") or "").split()]


def texts(root: ElementTree.Element) -> list[str]:
    return [part.text or "" for part in root.iter(f"{NAME}text")]


def test_times_and_rates_map_onto_the_plot() -> None:
    assert (FRAME.x(0), FRAME.x(1_000)) == (LEFT, WIDTH - RIGHT)
    assert FRAME.x(500) == (LEFT + WIDTH - RIGHT) / 2
    assert (FRAME.y(0), FRAME.y(10), FRAME.y(5)) == (TOP + PLOT, TOP, TOP + PLOT / 2)
    assert (FRAME.x(-5), FRAME.y(99)) == (LEFT, TOP)  # nothing leaves the plot


def test_a_rate_holds_for_its_whole_step() -> None:
    points = stairs(FRAME, [0.0, 10.0], 0, 500)
    middle = (LEFT + WIDTH - RIGHT) / 2
    assert points == [
        *((LEFT, TOP + PLOT), (middle, TOP + PLOT), (middle, TOP), (WIDTH - RIGHT, TOP)),
    ]


def test_markup_is_escaped_and_numbers_are_short() -> None:
    assert (
        element("g", id='a"<', class_="x", aria_label="y") == '<g id="a&quot;&lt;" class="x" aria-label="y"/>'
    )
    assert element("rect", x=1.0, y=2.5) == '<rect x="1" y="2.5"/>'
    assert (number(1.0), number(0.5), number(100.126)) == ("1", "0.5", "100.13")
    assert path([(0, 0), (1, 2)], closed=True) == "M0 0L1 2Z"


def test_the_plan_the_window_and_the_full_span_are_drawn_where_they_are() -> None:
    chart = charts(full_upload().case)[1]  # minutes 40 to 140, window 70 to 110, full 76 to 113
    root = parsed(chart_svg(chart, CLOCK, "c1"))
    width = WIDTH - LEFT - RIGHT
    (plan,) = of_class(root, "plan")
    assert plan.get("y1") == number(TOP)
    (window,) = of_class(root, "window")
    assert float(window.get("x") or 0) == pytest.approx(LEFT + width * 0.30, abs=0.01)
    assert float(window.get("width") or 0) == pytest.approx(width * 0.40, abs=0.01)
    (full,) = [part for part in of_class(root, "full") if part.tag == f"{NAME}rect"]
    assert float(full.get("x") or 0) == pytest.approx(LEFT + width * 0.36, abs=0.01)
    assert full.get("fill") == "url(#c1-full)"
    for said in ("time looked at", "full", "plan 20 Mbit/s", "carrying", "14:00"):
        assert said in texts(root)


def test_the_title_and_description_say_what_is_to_be_seen() -> None:
    root = parsed(chart_svg(charts(full_upload().case)[1], CLOCK, "c1"))
    assert [part.text for part in root.iter(f"{NAME}title")] == ["fibre, upload"]
    (description,) = [part.text or "" for part in root.iter(f"{NAME}desc")]
    assert description == (
        "Rate Tuesday 3 March 2026, 13:40 to 15:20 NZDT, one step is 1 minute; the plan is 20 Mbit/s. "
        "The highest minute is 19.7 Mbit/s. It was full 14:16 to 14:53 NZDT."
    )


def test_a_gap_is_hatched_and_named_and_the_line_breaks() -> None:
    root = parsed(chart_svg(charts(mostly_silent().case)[0], CLOCK, "c1"))
    (gap,) = of_class(root, "gap")
    assert gap.get("fill") == "url(#c1-hatch)"
    assert "no records" in texts(root)
    assert len(of_class(root, "rate")) == 2


def test_peaks_are_drawn_where_a_step_has_several_minutes() -> None:
    assert of_class(parsed(chart_svg(charts(leak_in_an_audit().case)[0], CLOCK, "c1")), "peaks")
    assert not of_class(parsed(chart_svg(charts(full_upload().case)[0], CLOCK, "c1")), "peaks")


def test_a_hardly_used_link_has_a_low_picture() -> None:
    high, low = (parsed(chart_svg(charts(full_upload().case)[at], CLOCK, "c")) for at in (1, 3))
    heights = [float((root.get("viewBox") or "").split()[3]) for root in (high, low)]
    assert heights[0] - heights[1] == 110


def test_link_states_differ_by_pattern_and_word() -> None:
    root = parsed(chart_svg(charts(on_backup().case)[0], CLOCK, "c1"))
    assert [part.get("class") for part in of_class(root, "state")] == [
        *("state carrying", "state silent", "state carrying"),
    ]
    assert texts(root).count("carrying") == 2


def test_layers_of_a_stack_have_patterns_of_their_own_and_their_names() -> None:
    given = full_upload()
    drawn = stack(given.case, given.verdict)
    assert drawn is not None
    root = parsed(stack_svg(drawn, CLOCK, "s"))
    fills = [part.get("fill") for part in of_class(root, "layer") if part.tag == f"{NAME}path"]
    assert fills == ["url(#s-layer0)", "url(#s-layer1)", "url(#s-layer5)"]
    strokes = [
        of_class(layer, "stroke")[0].get("d") for at in (0, 1, 5) for layer in of_class(root, f"layer{at}")
    ]
    assert len(set(strokes)) == 3
    assert {"192.168.40.20 (imaging archive)", "192.168.40.21", "all others"} <= set(texts(root))


@pytest.mark.parametrize("width", [WIDTH, NARROW])
def test_the_same_time_is_at_the_same_place_in_the_rate_and_in_who_used_the_link(width: float) -> None:
    given = full_upload()
    drawn = stack(given.case, given.verdict)
    assert drawn is not None
    rate = parsed(chart_svg(charts(given.case)[1], CLOCK, "c", width))
    users = parsed(stack_svg(drawn, CLOCK, "s", width))

    def times(root: ElementTree.Element) -> dict[str, str | None]:
        return {
            part.text or "": part.get("x") for part in root.iter(f"{NAME}text") if ":" in (part.text or "")
        }

    assert times(rate) == times(users)
    assert len(times(rate)) >= 2
    # What was full begins and ends in both where the finding does.
    (full,) = [part for part in of_class(rate, "full") if part.tag == f"{NAME}rect"]
    begin, end = (float(part.get("x1") or 0) for part in of_class(users, "edge"))
    assert begin == pytest.approx(float(full.get("x") or 0), abs=0.01)
    assert end - begin == pytest.approx(float(full.get("width") or 0), abs=0.02)


def test_what_is_not_known_is_hatched_where_it_shows_who_used_the_link_too() -> None:
    case = mostly_silent().case
    finding = replace(FULL_UPLOAD, direction="down", start_ms=ms(0), end_ms=ms(15))
    drawn = stack(case, resting_on(finding))
    assert drawn is not None
    root = parsed(stack_svg(drawn, CLOCK, "s"))
    (gap,) = of_class(root, "gap")
    assert gap.get("fill") == "url(#s-hatch)"
    assert of_class(parsed(chart_svg(drawn.chart, CLOCK, "c")), "gap")[0].get("x") == gap.get("x")


def test_hostile_names_stay_text() -> None:
    traffic = Traffic(10).office()
    chart = charts(traffic.case())[0]
    force_setattr(chart, "link", '"><script>x</script>')
    source = chart_svg(chart, CLOCK, "c1")
    assert "<script" not in source
    assert parsed(source) is not None
    assert not re.search(r"\son\w+=", source)


def test_a_stack_far_under_the_plan_has_a_scale_of_its_own_and_says_so() -> None:
    given = leak_in_an_audit()  # 0.9 of 30 Mbit/s
    drawn = stack(given.case, given.verdict)
    assert drawn is not None
    root = parsed(stack_svg(drawn, CLOCK, "s"))
    assert "plan 30 Mbit/s, far above" in texts(root)
    assert {"1", "0.5", "0"} <= set(texts(root))
    assert not of_class(root, "plan")


def test_the_narrow_picture_has_fewer_times_and_the_same_marks() -> None:
    chart = charts(full_upload().case)[1]
    wide, narrow = (parsed(chart_svg(chart, CLOCK, "c", width)) for width in (WIDTH, NARROW))
    assert (narrow.get("viewBox") or "").split()[2] == number(NARROW)
    assert {"time looked at", "full", "plan 20 Mbit/s", "carrying", "14:00"} <= set(texts(narrow))
    assert len(texts(narrow)) < len(texts(wide))


def test_marks_too_narrow_for_their_names_are_named_under_the_picture() -> None:
    # On the backup for 10 of 120 minutes: 22 px on a phone, 51 px on a page; its name needs 57 px.
    traffic = Traffic().office(0, 50).office(50, 60, "lte", 29.0).office(60)
    chart = charts(traffic.case(unheard=(100, 103)))[2]
    root = parsed(chart_svg(chart, CLOCK, "c", NARROW))
    named = of_class(root, "label")
    below = {part.text: float(part.get("y") or 0) for part in named}
    swatches = [part for part in root.iter(f"{NAME}rect") if part.get("height") == number(SWATCH)]
    assert [(part.get("class"), part.get("fill")) for part in swatches] == [
        ("mark full", "url(#c-full)"),
        ("state carrying", None),
        ("state unknown", "url(#c-hatch)"),
        ("gap", "url(#c-hatch)"),
    ]
    height = float((root.get("viewBox") or "").split()[3])
    assert all(below["link"] < below[name] < height for name in ("full", "carrying", "unknown", "no records"))
    assert "silent" in below  # has room of its own
    rights = [
        float(part.get("x") or 0) + CHARACTER * len(part.text or "")
        for part in named
        if part.get("text-anchor") is None
    ]
    assert max(rights) <= NARROW


def test_marks_that_have_room_for_their_names_need_no_legend() -> None:
    root = parsed(chart_svg(charts(on_backup().case)[0], CLOCK, "c1"))
    assert not [part for part in root.iter(f"{NAME}rect") if part.get("height") == number(SWATCH)]


def test_a_label_at_the_right_edge_stays_in_the_picture() -> None:
    frame = Frame("k", 0, 1_000, capacity_mbps=10.0, top_share=1.0, height=200.0, width=NARROW)
    label = parsed(frame.head_label("time looked at", 990))
    assert float(label.get("x") or 0) + CHARACTER * len("time looked at") <= NARROW - RIGHT
