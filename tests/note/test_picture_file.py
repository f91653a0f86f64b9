"""The pictures of a note in a file of their own: an SVG, and the PNG that it makes, the same octets for the same note."""

import struct
import zlib
from collections.abc import Callable
from xml.etree import ElementTree

import pytest

from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.note.compose import compose
from flowdiag.note.model import Note
from flowdiag.note.picture_file import DOTS, light_style, pictures_png, pictures_svg
from tests.note.building import full_upload
from tests.note.situations import hostile, mostly_silent, nothing_read

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def note() -> Note:
    return compose(full_upload(), ticket="T-1042")


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


def pixels(png: bytes) -> list[bytes]:
    """The rows of an RGBA PNG without interlacing; filters of RFC 2083 section 6 undone."""
    found = chunks(png)
    width, height, depth, colour, *_, interlaced = struct.unpack(">IIBBBBB", found[b"IHDR"])
    assert (depth, colour, interlaced) == (8, 6, 0)
    data, rows, above = zlib.decompress(found[b"IDAT"]), [], bytes(4 * width)
    for at in range(0, height * (4 * width + 1), 4 * width + 1):
        kind, row = data[at], bytearray(data[at + 1 : at + 1 + 4 * width])
        for place in range(len(row)):
            left, up = (row[place - 4] if place >= 4 else 0), above[place]
            corner = above[place - 4] if place >= 4 else 0
            guess = left + up - corner
            near = min((left, up, corner), key=lambda value: abs(guess - value))
            row[place] = (row[place] + (0, left, up, (left + up) // 2, near)[kind]) & 255
        above = bytes(row)
        rows.append(above)
    return rows


def test_the_svg_holds_each_picture_of_the_note_with_its_name(note: Note) -> None:
    root = ElementTree.fromstring(pictures_svg(note))
    captions = [text.text for text in root.findall(f"{SVG}text")]
    assert captions[0] == "Ticket note T-1042: Harbour Lane Clinic"
    assert captions[2:] == [
        "fibre, upload",
        "Who used fibre, upload",
        "fibre, download",
        "lte, download",
        "lte, upload",
    ]
    placed = root.findall(f"{SVG}svg")
    assert len(placed) == 5
    bottoms = [float(picture.attrib["y"]) + float(picture.attrib["height"]) for picture in placed]
    tops = [float(picture.attrib["y"]) for picture in placed]
    assert all(top > bottom for top, bottom in zip(tops[1:], bottoms, strict=False))
    assert float(root.attrib["height"]) > bottoms[-1]


def test_all_pictures_have_one_time_axis(note: Note) -> None:
    root = ElementTree.fromstring(pictures_svg(note))
    ticks = []
    for picture in root.findall(f"{SVG}svg"):
        texts = {text.text: text.attrib["x"] for text in picture.iter(f"{SVG}text")}
        ticks.append({name: x for name, x in texts.items() if name and name[2:3] == ":"})
    assert len(ticks) == 5
    assert len(ticks[0]) >= 8
    assert ticks == [ticks[0]] * 5
    assert {picture.attrib["x"] for picture in root.findall(f"{SVG}svg")} == {"12"}


def test_colours_are_written_out() -> None:
    style = light_style()
    assert "var(" not in style
    assert "@media" not in style
    assert "--" not in style
    assert ".rate { fill: none; stroke: #0072b2;" in style  # Okabe and Ito (2008): blue
    assert ".paper { fill: #ffffff; }" in style


def test_the_same_note_gives_the_same_png(note: Note) -> None:
    first, second = pictures_png(note), pictures_png(note)
    assert first == second
    found = chunks(first)
    assert not {b"tEXt", b"iTXt", b"zTXt", b"tIME"} & set(found)  # neither version nor time
    width, height = struct.unpack_from(">II", found[b"IHDR"])
    root = ElementTree.fromstring(pictures_svg(note))
    assert (width, height) == tuple(DOTS * float(root.attrib[name]) for name in ("width", "height"))


def test_the_png_shows_colours_patterns_and_letters() -> None:
    """Without its typeface or its style it would be black shapes, or none."""
    rows = pixels(pictures_png(compose(nothing_read(), ticket="T-1042")))
    colours = {row[at : at + 4] for row in rows for at in range(0, len(row), 4)}
    assert b"\xff\xff\xff\xff" in colours
    assert b"\x1b\x1f\x24\xff" in colours  # ink of the letters
    svg = pictures_svg(compose(full_upload()))
    for name in ("rate", "area", "plan", "mark full", "state carrying"):
        assert f'class="{name}"' in svg


@pytest.mark.parametrize("given", [hostile, mostly_silent, nothing_read])
def test_odd_notes_are_drawn_without_complaint(
    given: Callable[[], Diagnosis], recwarn: pytest.WarningsRecorder, capfd: pytest.CaptureFixture[str]
) -> None:
    odd = compose(given(), ticket="写真 $x_{$</style><script>")
    assert chunks(pictures_png(odd))[b"IDAT"]
    root = ElementTree.fromstring(pictures_svg(odd))
    assert not [node for node in root.iter() if node.tag.endswith(("script", "image", "foreignObject", "a"))]
    assert not recwarn.list
    assert capfd.readouterr() == ("", "")
