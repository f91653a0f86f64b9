"""The PNG: a picture of every link and direction, the same octets for the same note."""

import struct
import zlib
from pathlib import Path

import pytest

from flowdiag.note.chart import DOTS_PER_INCH, WIDTH_INCHES, chart_figure, chart_png
from flowdiag.note.compose import compose
from tests.note.building import full_upload, ms
from tests.note.situations import hostile, mostly_silent, nothing_read


def chunks(png: bytes) -> dict[bytes, bytes]:
    """Chunks of a PNG (RFC 2083 section 3), checked; the data of equal ones joined."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    found: dict[bytes, bytes] = {}
    at = 8
    while at < len(png):
        (length,) = struct.unpack_from(">I", png, at)
        kind, data = png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        (check,) = struct.unpack_from(">I", png, at + 8 + length)
        assert check == zlib.crc32(kind + data)
        found[kind] = found.get(kind, b"") + data
        at += 12 + length
    return found


def test_the_same_note_gives_the_same_octets(tmp_path: Path) -> None:
    note = compose(full_upload(), ticket="T-1042")
    for name in ("a.png", "b.png"):
        chart_png(note, tmp_path / name)
    first, second = ((tmp_path / name).read_bytes() for name in ("a.png", "b.png"))
    assert first == second
    found = chunks(first)
    assert not {b"tEXt", b"iTXt", b"zTXt", b"tIME"} & set(found)  # neither version nor time
    # Four charts and who used the main one.
    width, height = struct.unpack_from(">II", found[b"IHDR"])
    assert (width, height) == (WIDTH_INCHES * DOTS_PER_INCH, int((0.9 + 5 * 2.1) * DOTS_PER_INCH))


def test_all_rows_have_one_time_axis() -> None:
    figure = chart_figure(compose(full_upload(), ticket="T-1042"))
    figure.canvas.draw()  # lays the rows out
    places = [
        [axis.transData.transform((ms(minute), 0.0))[0] for minute in (40, 76, 140)] for axis in figure.axes
    ]
    assert len(places) == 5
    assert places == [pytest.approx(places[0], abs=0.01)] * 5
    assert [[tick.get_text() for tick in axis.get_xticklabels()] for axis in figure.axes] == [
        [tick.get_text() for tick in figure.axes[0].get_xticklabels()]
    ] * 5


@pytest.mark.parametrize("given", [hostile, mostly_silent, nothing_read])
def test_odd_notes_are_drawn_without_complaint(
    given: object, tmp_path: Path, recwarn: pytest.WarningsRecorder
) -> None:
    chart_png(compose(given(), ticket="写真 $x_{$"), tmp_path / "a")  # type: ignore[operator]
    assert chunks((tmp_path / "a").read_bytes())[b"IDAT"]
    assert not recwarn.list


def test_a_place_that_cannot_be_written_is_an_os_error(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="none"):
        chart_png(compose(nothing_read()), tmp_path / "none" / "a.png")
