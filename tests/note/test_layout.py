"""Lines never pass their width, whatever is in them."""

from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from flowdiag.note.layout import Line, bullets, clipped, paragraph, plain, styled, table

texts = st.text(st.characters(categories=("L", "N", "P", "Zs")), max_size=200)


def shown(line: Line) -> str:
    return "".join(text for text, _ in line)


@given(texts, st.integers(20, 100))
def test_a_paragraph_keeps_all_its_words_within_its_width(text: str, width: int) -> None:
    lines = paragraph(text, width, indent="  - ", hanging="    ")
    assert all(cell_len(shown(line)) <= width for line in lines)
    said = "".join(shown(line)[4:] for line in lines)
    assert said.replace(" ", "") == "".join(text.split()).replace(" ", "")


def test_later_lines_hang() -> None:
    assert plain(bullets(["one two three four"], 14)) == "  - one two\n    three four\n"


def test_a_table_sets_figures_to_the_right() -> None:
    lines = table(("Name", "Volume"), [("a", "9 MB"), ("bcd", "12.5 MB")], left=1, width=40)
    assert plain(lines) == "  Name   Volume\n  a        9 MB\n  bcd   12.5 MB\n"


def test_wide_characters_take_two_columns() -> None:
    lines = table(("Name", "Volume"), [("写真", "1"), ("ab", "2")], left=1, width=40)
    assert plain(lines) == "  Name  Volume\n  写真       1\n  ab         2\n"


def test_a_long_name_is_cut_so_that_the_table_fits() -> None:
    lines = table(("Name", "Volume"), [("x" * 90, "1")], left=1, width=40)
    assert {cell_len(shown(line)) for line in lines} == {40}
    assert "…" in shown(lines[1])


LINKS = ("Link", "Direction", "Plan Mbit/s", "Mean", "95th pct.", "Peak", "Volume", "Busy min", "Full min")
WIDEST = (
    "lte (backup)",
    "download",
    "12,345",
    "under 0.01",
    "under 0.01",
    "under 0.01",
    "123.4 GB",
    "43,210",
    "35,790",
)


def test_headings_take_two_lines_before_anything_is_cut() -> None:
    lines = table(LINKS, [WIDEST], left=2, width=100)
    assert [shown(line).split() for line in lines] == [
        ["Plan", "Busy", "Full"],
        ["Link", "Direction", "Mbit/s", "Mean", "95th", "pct.", "Peak", "Volume", "min", "min"],
        " ".join(WIDEST).split(),
    ]


@given(
    st.lists(texts, min_size=2, max_size=2),
    st.lists(st.text("0123456789,.", min_size=1, max_size=14), min_size=7, max_size=7),
    st.integers(60, 100),
)
def test_no_figure_is_ever_cut(names: list[str], figures: list[str], width: int) -> None:
    lines = table(LINKS, [(*names, *figures)], left=2, width=width)
    assert max(cell_len(shown(line)) for line in lines) <= width
    words = [word for line in lines for word in shown(line).split()]
    assert all(figure in words for figure in figures)


def test_figures_that_do_not_fit_go_on_below_with_the_names_again() -> None:
    lines = table(("Name", "Volume", "Share"), [("a", "1" * 30, "2" * 30)], left=1, width=40)
    assert plain(lines) == (
        f"  Name{'Volume':>32}\n  a     {'1' * 30}\n\n  Name{'Share':>32}\n  a     {'2' * 30}\n"
    )


@given(st.lists(st.tuples(texts, st.just("")), max_size=4), st.integers(5, 40))
def test_a_clipped_line_fits(parts: Line, width: int) -> None:
    line = clipped(parts, width)
    assert cell_len(shown(line)) <= width
    if cell_len(shown(parts)) > width:
        assert shown(line).endswith("…")


def test_styles_change_nothing_of_the_text() -> None:
    line: Line = [("[bold]x[/bold] ", "bold red"), (":smile: 1.5", "")]
    coloured = styled([line])
    assert "\x1b[" in coloured
    plain_again = "".join(
        part.partition("m")[2] if n else part for n, part in enumerate(coloured.split("\x1b["))
    )
    assert plain_again == plain([line])
