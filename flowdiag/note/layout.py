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
_LEAST_NAME: Final = 12  # a name cut shorter than that is no name


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
    """The first `left` columns are names, set to the left; the others are figures, set to the right.

    Figures are never cut. Where the table is too wide, headings take a line a word, then names are cut, the
    last column's first, and then the figures go on in a table below with the names said again.
    """
    cells = [list(columns), *map(list, rows)]
    sizes = [max(cell_len(row[i]) for row in cells) for i in range(len(columns))]
    room = width - len(indent)
    if _taken(sizes) > room:
        sizes = [
            size if i < left else max(map(cell_len, [*columns[i].split(), *(row[i] for row in rows)]))
            for i, size in enumerate(sizes)
        ]
    for i in reversed(range(left)):
        sizes[i] -= min(max(_taken(sizes) - room, 0), max(sizes[i] - _LEAST_NAME, 0))
    lines: list[Line] = []
    first = left
    while first < len(columns):
        past = first + 1
        while past < len(columns) and _taken(sizes[:left] + sizes[first : past + 1]) <= room:
            past += 1
        shown = [*range(left), *range(first, past)]
        fitting = [sizes[i] for i in shown]
        heading = _heading([columns[i] for i in shown], fitting)
        lines += [[]] if lines else []
        lines += [_row(row, fitting, left, indent, "bold") for row in heading]
        lines += [_row([row[i] for i in shown], fitting, left, indent, "") for row in rows]
        first = past
    return lines


def _taken(sizes: Sequence[int]) -> int:
    """Width of columns of these sizes with their gaps."""
    return sum(sizes) + 2 * (len(sizes) - 1)


def _heading(columns: Sequence[str], sizes: Sequence[int]) -> list[list[str]]:
    """Headings in as many lines as they need, the last line full."""
    stacked = [
        [column] if cell_len(column) <= size else column.split()
        for column, size in zip(columns, sizes, strict=True)
    ]
    height = max(map(len, stacked))
    return [
        ["" if line < height - len(parts) else parts[line - height] for parts in stacked]
        for line in range(height)
    ]


def _row(cells: Sequence[str], sizes: Sequence[int], left: int, indent: str, style: str) -> Line:
    set_cells = [
        _fitted(cell, size) if i < left else " " * (size - cell_len(cell)) + cell
        for i, (cell, size) in enumerate(zip(cells, sizes, strict=True))
    ]
    return [(indent, ""), ("  ".join(set_cells).rstrip(), style)]


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
