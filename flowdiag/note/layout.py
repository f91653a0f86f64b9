"""Lines of styled text: paragraphs and tables in fixed columns, wide characters counted as they are shown."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from typing import Final

from rich.cells import cell_len, set_cell_size

# A line is a row of (text, style); styles are rich's, and say nothing that the text does not.
Line = list[tuple[str, str]]
PLAIN_WIDTH: Final = 100
_NARROWEST: Final = 60


def paragraph(
    text: str, width: int, *, indent: str = "", hanging: str | None = None, style: str = ""
) -> list[Line]:
    """text in lines of at most width cells; indent opens the first, hanging (else indent) the others."""
    lines: list[Line] = []
    lead, later = indent, indent if hanging is None else hanging
    current = ""
    for word in text.split():
        for piece in _pieces(word, width - max(cell_len(lead), cell_len(later))):
            if current and cell_len(lead) + cell_len(current) + 1 + cell_len(piece) > width:
                lines.append([(lead, ""), (current, style)])
                lead, current = later, piece
            else:
                current = f"{current} {piece}" if current else piece
    lines.append([(lead, ""), (current, style)])
    return lines


def _pieces(word: str, width: int) -> Iterable[str]:
    """A word longer than a line in pieces that fit."""
    while cell_len(word) > width:
        end = width
        while cell_len(word[:end]) > width:
            end -= 1
        yield word[:end]
        word = word[end:]
    yield word


def bullets(texts: Iterable[str], width: int, indent: str = "  ") -> list[Line]:
    return [
        line for text in texts for line in paragraph(text, width, indent=f"{indent}- ", hanging=f"{indent}  ")
    ]


def table(
    columns: Sequence[str], rows: Sequence[Sequence[str]], *, left: int, width: int, indent: str = "  "
) -> list[Line]:
    """The first `left` columns to the left, the others to the right; cells that do not fit are cut."""
    shown = [list(columns), *map(list, rows)]
    sizes = [max(cell_len(row[i]) for row in shown) for i in range(len(columns))]
    spare = width - len(indent) - 2 * (len(columns) - 1) - sum(sizes)
    for i in sorted(range(left), key=lambda i: -sizes[i]):
        if spare < 0:
            cut = min(-spare, max(sizes[i] - 12, 0))
            sizes[i] -= cut
            spare += cut
    lines: list[Line] = []
    for number, row in enumerate(shown):
        cells = [
            _fitted(cell, size) if i < left else " " * (size - cell_len(cell)) + cell
            for i, (cell, size) in enumerate(zip(row, sizes, strict=True))
        ]
        lines.append([(indent, ""), ("  ".join(cells).rstrip(), "bold" if number == 0 else "")])
    return lines


def _fitted(cell: str, size: int) -> str:
    if cell_len(cell) > size:
        cell = set_cell_size(cell, size - 1).rstrip() + "…"
    return cell + " " * (size - cell_len(cell))


def clipped(line: Line, width: int) -> Line:
    """The line, cut to width cells where a name in it is too long to be shown whole."""
    if sum(cell_len(text) for text, _ in line) <= width:
        return line
    kept: Line = []
    room = width - 1
    for text, style in line:
        kept.append((text if cell_len(text) <= room else set_cell_size(text, room).rstrip(), style))
        room -= cell_len(kept[-1][0])
        if cell_len(text) > cell_len(kept[-1][0]):
            break
    return [*kept, ("…", "")]


def plain(lines: Iterable[Line]) -> str:
    return "".join("".join(text for text, _ in line).rstrip() + "\n" for line in lines)


def terminal_width() -> int:
    """Of the terminal that standard output is; never wider than PLAIN_WIDTH."""
    import shutil

    return max(min(shutil.get_terminal_size((PLAIN_WIDTH, 24)).columns, PLAIN_WIDTH), _NARROWEST)


def styled(lines: Iterable[Line]) -> str:
    """The lines with the terminal's colours, as far as rich finds that it has any."""
    from rich.console import Console
    from rich.text import Text

    file = io.StringIO()
    console = Console(file=file, force_terminal=True, width=4 * PLAIN_WIDTH, highlight=False, emoji=False)
    for line in lines:
        console.print(Text.assemble(*line), no_wrap=True, markup=False)
    return file.getvalue()
