"""The part of a note that holds another time beside the one asked about, in every format. Rates by hand."""

from __future__ import annotations

import json
import re
from typing import Any
from xml.etree import ElementTree

import pytest
from jsonschema import Draft202012Validator
from msgspec.structs import replace

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.note import comparison, html, json_note, markdown, text
from flowdiag.note.brief import shortened
from flowdiag.note.compose import compose
from flowdiag.note.model import Note
from flowdiag.note.picture_file import pictures_png, pictures_svg
from flowdiag.note.pseudonyms import Pseudonyms
from tests.note.building import MINUTE_MS, Traffic, ms, profile

SVG = "{http://www.w3.org/2000/svg}"
SENTENCE = (
    "From 14:35 to 14:55 the upload of fibre was full; from 13:10 to 13:40 it peaked at 2% of its plan: rsync of 192.168.40.20 "
    "(imaging archive) with 203.0.113.9 came on top (2.87 GB)."
)
ASKED, OTHER = (90, 120), (10, 40)


def traffic(minutes: int = 150) -> Traffic:
    """0.5 Mbit/s of upload all along, and a backup of 19.1 more from 14:35 to 14:55."""
    office = Traffic(minutes).office()
    return office.flow(95, 115, "fibre", up=19.1, inside="192.168.40.20", application="rsync")


def at(case: Case, window: tuple[float, float]) -> Diagnosis:
    return diagnose(replace(case, window_ms=(ms(window[0]), ms(window[1])), window_given=True))


def note(
    asked: tuple[float, float] = ASKED,
    other: tuple[float, float] = OTHER,
    case: Case | None = None,
    **more: Any,
) -> Note:
    case = case or traffic().case()
    return compose(at(case, asked), other=at(case, other), **more)


def test_two_columns_of_figures() -> None:
    told = note()
    assert told.beside is not None
    columns, rows = comparison.figure_table(told.beside.comparison, told.clock)
    assert columns == ("Link", "Figure", "Tue 3 Mar 14:30 to 15:00", "Tue 3 Mar 13:10 to 13:40")
    # Mean of the upload: 0.5 and 19.1 * 20 / 30 Mbit/s; of 30 minutes at 13.23 Mbit/s come 2.98 GB.
    assert rows == [
        ("fibre, download", "mean Mbit/s", "8.00", "8.00"),
        ("fibre, download", "95th pct. Mbit/s", "8.00", "8.00"),
        ("fibre, download", "peak Mbit/s", "8.00", "8.00"),
        ("fibre, download", "volume", "1.80 GB", "1.80 GB"),
        ("fibre, upload", "mean Mbit/s", "13.2", "0.50"),
        ("fibre, upload", "95th pct. Mbit/s", "19.6", "0.50"),
        ("fibre, upload", "peak Mbit/s", "19.6", "0.50"),
        ("fibre, upload", "volume", "2.98 GB", "112 MB"),
        ("fibre, upload", "busy minutes", "20", "0"),
        ("fibre, upload", "full minutes", "20", "0"),
    ]
    columns, rows = comparison.shift_table(told.beside.comparison, told.clock)
    assert columns == ("What differs", "Name", "Asked", "Compared")
    assert rows == [
        ("Destination", "203.0.113.9", "2.87 GB", "0 octets"),
        ("Device", "192.168.40.20 (imaging archive)", "2.87 GB", "0 octets"),
        ("Application", "rsync", "2.87 GB", "0 octets"),
    ]


def test_a_column_without_records_has_no_zeros() -> None:
    told = note(other=(-300, -270))
    assert told.beside is not None
    _, rows = comparison.figure_table(told.beside.comparison, told.clock)
    assert {row[-1] for row in rows} == {"no records"}
    assert ("fibre, upload", "full minutes", "20", "no records") in rows
    assert told.beside.charts == ()
    assert json_note.as_dict(told)["comparison"]["links"] is None


def test_both_pictures_have_one_length_one_step_one_scale_and_the_windows_at_one_place() -> None:
    told = note()
    assert told.beside is not None
    asked, other = told.beside.charts
    assert {(chart.link, chart.direction) for chart in (asked, other)} == {("fibre", "up")}
    assert (len(asked.rates), asked.step_ms) == (len(other.rates), other.step_ms)
    assert asked.window_ms is not None
    assert other.window_ms is not None
    assert asked.window_ms[0] - asked.start_ms == other.window_ms[0] - other.start_ms
    assert asked.highest_mbps == other.highest_mbps == pytest.approx(19.6)
    # Half an hour on either side is shown where there is one: 14:00 to 15:30, and so 12:40 to 14:10.
    assert (asked.start_ms, asked.end_ms) == (ms(60), ms(150))
    assert (other.start_ms, other.end_ms) == (ms(-20), ms(70))
    assert other.gaps == ((ms(-20), ms(0)),)
    assert max(rate or 0.0 for rate in other.rates) == pytest.approx(0.5)


def test_pictures_of_times_that_begin_within_a_minute_are_as_long() -> None:
    told = note(asked=(90.5, 120.5), other=(10, 40))
    assert told.beside is not None
    asked, other = told.beside.charts
    assert asked.end_ms - asked.start_ms == other.end_ms - other.start_ms
    assert {chart.start_ms % MINUTE_MS for chart in (asked, other)} == {0}


def test_pictures_of_short_and_long_times_have_steps_that_both_exports_have() -> None:
    """Ten minutes of an export that resolves 10 s, beside an hour of one of 60 s."""
    fine, coarse = traffic().case(resolution_s=10), traffic().case()
    told = compose(at(fine, (90, 100)), other=at(coarse, (0, 60)))
    assert told.beside is not None
    asked, other = told.beside.charts
    assert asked.step_ms == other.step_ms == MINUTE_MS
    assert len(asked.rates) == len(other.rates)


def test_every_format_tells_it() -> None:
    told = note()
    plain, ticket, page = text.render(told), markdown.render(told), html.render(told)
    for heading in (
        "Compared with Tuesday 3 March 2026, 13:10 to 13:40 NZDT",
        "Verdict then: not-the-link, high confidence",
    ):
        assert heading in plain
        assert heading in page
        assert heading in ticket
    assert SENTENCE in " ".join(plain.split())
    assert SENTENCE in page
    assert SENTENCE in ticket.replace("\\", "")
    assert "| fibre, upload | peak Mbit/s | 19.6 | 0.50 |" in ticket
    assert re.search(r"fibre, upload +peak Mbit/s +19\.6 +0\.50\n", plain)
    for day in ("14:00 to 15:30", "12:40 to 14:10"):
        assert f"fibre, upload: Tuesday 3 March 2026, {day} NZDT" in plain
        assert f"<figcaption>fibre, upload: Tuesday 3 March 2026, {day} NZDT</figcaption>" in page


def test_the_bars_of_both_times_stand_under_each_other_in_text() -> None:
    lines = text.render(note()).splitlines()
    marked = [line for line in lines if line.startswith("    asked  ")]
    beside = [line.index("=") for line in marked[:2]]
    assert beside[0] == beside[1]
    # The scale is that of both: a peak of 2 % has the rows of a full line above it.
    assert sum(line.startswith("     80% │") for line in lines) >= 2


def test_the_json_is_valid_by_its_schema_and_has_the_figures() -> None:
    written = json.loads(json_note.render(note()))
    schema = json.loads(json_note.SCHEMA_FILE.read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(written)
    found = written["comparison"]
    assert found["window"] == {"from": "2026-03-03T13:10:00+13:00", "to": "2026-03-03T13:40:00+13:00"}
    assert (found["sentence"], found["differs"]) == (SENTENCE, True)
    assert found["about"] == {"link": "fibre", "direction": "up"}
    assert found["verdict"] == {"code": "not-the-link", "confidence": "high"}
    assert (found["covered_percent"], found["doubts"]) == (100.0, [])
    # 0.5 Mbit/s for 30 minutes.
    assert found["links"][0]["up"]["bytes"] == 112_500_000
    assert [link["name"] for link in found["links"]] == [link["name"] for link in written["links"]]
    assert found["changes"][0] == {
        "kind": "destination", "name": "203.0.113.9", "label": None, "bytes": 2_865_000_000, "compared_bytes": 0,
    }  # fmt: skip
    missing = json.loads(json_note.render(note(other=(-300, -270))))
    Draft202012Validator(schema).validate(missing)


def test_a_note_without_another_time_has_none() -> None:
    told = compose(at(traffic().case(), ASKED))
    assert told.beside is None
    assert json_note.as_dict(told)["comparison"] is None
    assert "Compared with" not in text.render(told) + markdown.render(told) + html.render(told)


def placed(told: Note) -> list[tuple[str, ElementTree.Element]]:
    """The pictures of a note's file with what stands above each; title and subtitle come first."""
    root = ElementTree.fromstring(pictures_svg(told))
    captions = [text.text or "" for text in root.findall(f"{SVG}text")][2:]
    return list(zip(captions, root.findall(f"{SVG}svg"), strict=True))


def ticks(picture: ElementTree.Element) -> list[str]:
    """Where the times of a picture's axis stand."""
    texts = picture.iter(f"{SVG}text")
    return [text.attrib["x"] for text in texts if re.fullmatch(r"\d\d:\d\d", text.text or "")]


def rates(picture: ElementTree.Element) -> list[str]:
    """The rates at the grid of a picture."""
    texts = picture.iter(f"{SVG}text")
    return [text.text or "" for text in texts if re.fullmatch(r"[\d.,]+", text.text or "")]


def test_the_file_of_pictures_has_both_last_and_on_one_scale() -> None:
    told = note()
    found, without = placed(told), placed(replace(told, beside=None))
    assert len(found) == len(without) + 2
    assert [caption for caption, _ in found[-2:]] == [
        "fibre, upload: Tuesday 3 March 2026, 14:00 to 15:30 NZDT",
        "fibre, upload: Tuesday 3 March 2026, 12:40 to 14:10 NZDT",
    ]
    first, second = (picture for _, picture in found[-2:])
    assert rates(first) == rates(second)
    apart = [float(x) for x in ticks(first)], [float(x) for x in ticks(second)]
    assert apart[0][1] - apart[0][0] == pytest.approx(apart[1][1] - apart[1][0], abs=0.02)
    assert pictures_png(told).startswith(b"\x89PNG\r\n\x1a\n")


def test_the_short_form_has_the_sentence_and_its_doubts_and_one_picture() -> None:
    told = note(other=(0, 60))
    heading = "Compared with Tuesday 3 March 2026, 13:00 to 14:00 NZDT"
    doubt = (
        "The times are of different length, 30 minutes and 60 minutes: compare rates, not volumes or minutes."
    )
    page, ticket, plain = html.render_brief(told), markdown.render_brief(told), text.render_brief(told)
    for written in (page, ticket, " ".join(plain.split())):
        assert heading in written
        assert doubt in written
        assert "Verdict then: not-the-link, high confidence" in written
        assert "it peaked at 2% of its plan: rsync of 192.168.40.20" in written
    assert page.count("<figure>") == 1
    assert len(placed(shortened(told).note)) == 1


def test_inside_addresses_of_either_time_are_hidden() -> None:
    """A device outside the profile's networks that only the other time has."""
    asked = Traffic().office().case()
    other = Traffic().office().flow(10, 40, "fibre", up=19.1, inside="198.18.7.7").case()
    told = compose(at(asked, ASKED), other=at(other, OTHER), pseudonyms=Pseudonyms(bytes(32)))
    for written in (text.render(told), markdown.render(told), html.render(told), json_note.render(told)):
        assert "198.18.7.7" not in written
        assert "192.168.40." not in written
    assert told.beside is not None
    assert "inside-" in told.beside.comparison.sentence


def test_hostile_names_stay_text() -> None:
    name = '<b onclick="x">|`*\x1b[31m'
    hostile = traffic().case(of=profile(labels=[("203.0.113.9/32", name)]))
    told = note(case=hostile)
    page, ticket, plain = html.render(told), markdown.render(told), text.render(told)
    assert "<b onclick" not in page
    assert "\x1b" not in page + ticket + plain
    assert "|`*" not in ticket
