"""Text: 100 columns, the client first, plain in a pipe, colour on a terminal that adds nothing."""

import re
import subprocess
import sys
from collections.abc import Iterator

import pytest
from msgspec.structs import replace
from rich.cells import cell_len

from flowdiag.note import figures
from flowdiag.note.compose import compose
from flowdiag.note.model import Note
from flowdiag.note.text import render
from tests.note.building import FULL_UPLOAD, diagnosis, full_upload, ms, profile, resting_on
from tests.note.situations import SITUATIONS, hostile

ESCAPES = re.compile(r"\x1b\[[0-9;]*m")


@pytest.mark.parametrize("name", [*SITUATIONS, "hostile"])
def test_no_line_is_wider_than_100_columns(name: str) -> None:
    given = hostile() if name == "hostile" else SITUATIONS[name]()
    lines = render(compose(given, ticket="T-1042")).splitlines()
    assert max(map(cell_len, lines)) <= 100
    assert not [line for line in lines if line != line.rstrip()]


def test_the_client_part_comes_before_the_engineers() -> None:
    shown = render(compose(full_upload()))
    order = (
        "What you told us",
        "What we saw",
        "What it means",
        "What happens next",
        "FOR THE ENGINEER",
        "Findings",
    )
    places = [shown.index(heading) for heading in order]
    assert places == sorted(places)


def test_piped_text_has_no_escapes_and_a_terminal_gets_the_same_words(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    note = compose(full_upload())
    piped, coloured = render(note), render(note, on_terminal=True)
    assert "\x1b" not in piped
    assert ESCAPES.search(coloured)
    assert [line.rstrip() for line in ESCAPES.sub("", coloured).splitlines()] == piped.splitlines()


def test_a_narrow_terminal_is_not_overrun(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "72")
    shown = ESCAPES.sub("", render(compose(full_upload()), on_terminal=True))
    assert max(map(cell_len, shown.splitlines())) <= 72


def tables(note: Note) -> Iterator[tuple[str, ...]]:
    yield from figures.link_rows(note.links, note.window_ms)
    for heading, ranked in (
        ("Address", note.talkers),
        ("Application", note.applications),
        ("Address", note.destinations),
    ):
        yield from figures.ranked_table(heading, ranked)[1]


@pytest.mark.parametrize("columns", [100, 80, 60])
@pytest.mark.parametrize("name", SITUATIONS)
def test_no_table_loses_a_figure(name: str, columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    note = compose(SITUATIONS[name]())
    shown = ESCAPES.sub("", render(note, on_terminal=True))
    lines = [f"{line} " for line in shown.splitlines()]
    for row in tables(note):
        figure_cells = [cell for cell in row if cell[:1].isdigit() or cell.startswith("under")]
        found = [cell for cell in figure_cells if any(f" {cell} " in line for line in lines)]
        assert found == figure_cells
    assert "…" not in "".join(
        line for line in lines if "Mbit/s" in line or "download" in line or "upload" in line
    )


def test_a_long_name_of_a_link_takes_no_time_and_no_rate_away() -> None:
    named = profile()
    named.link[0].__dict__["name"] = " ".join(["the fibre of the upper floor"] * 7)
    case = full_upload().case
    finding = replace(FULL_UPLOAD, link=named.link[0].name)
    given = diagnosis(replace(case, profile=named), resting_on(finding), finding)
    shown = " ".join(render(compose(given)).split())
    assert "upper floor upload | 14:16 to 14:53 NZDT | high confidence" in shown
    assert "upper floor, upload: 100% is 20 Mbit/s; a column is 2 minutes" in shown


def test_nothing_hostile_reaches_the_terminal() -> None:
    shown = render(compose(hostile(), ticket="\x1b]0;x\x07"), on_terminal=True)
    assert not [c for c in ESCAPES.sub("", shown) if not c.isprintable() and c != "\n"]


def test_severity_is_a_word_not_only_a_colour() -> None:
    shown = render(compose(full_upload()))
    assert "1. CRITICAL link-full | fibre upload | 14:16 to 14:53 NZDT | high confidence" in shown
    assert "2. WARNING realtime-contention" in shown


def test_text_and_json_load_neither_a_rasteriser_nor_jinja2() -> None:
    script = (
        "import sys; from tests.note.building import full_upload; from flowdiag.note.compose import compose\n"
        "from flowdiag.note import text, json_note; note = compose(full_upload())\n"
        "text.render(note); json_note.render(note)\n"
        "print(sorted({'resvg_py', 'jinja2'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_finding_of_another_day_says_which_day() -> None:
    given = full_upload()
    finding = replace(FULL_UPLOAD, start_ms=ms(76 - 1440), end_ms=ms(113 - 1440))
    shown = render(compose(replace(given, findings=(finding,))))
    assert "| Mon 2 Mar 14:16 to 14:53 NZDT |" in shown
