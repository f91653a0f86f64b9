"""The calibration as text: what is printed, and the section of the page on accuracy that it fills."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from tests.scenarios.calibration import FIRST_NUMBER, Bound, Draw, Row, bounds, table
from tests.scenarios.reliability import reliability_svg

DOCS: Final = Path(__file__).parents[2] / "docs"
PAGE: Final = DOCS / "explanation" / "accuracy.md"
PICTURE: Final = DOCS / "pictures" / "reliability.svg"
BEGIN: Final = "<!-- calibration: written by the run, do not edit -->"
END: Final = "<!-- end of calibration -->"
MOST_WRONG_SHOWN: Final = 200


def section(draws: Sequence[Draw], spoiled: int) -> str:
    """The tables as Markdown, nothing in them that differs between two runs of one program."""
    names = {one.name.partition("/")[0] for one in draws}
    lines = [
        f"{len(draws):,} draws of {len(names)} situations, numbers from {FIRST_NUMBER} on"
        + (f"; {spoiled} more were not what their label says by chance, and left out." if spoiled else "."),
        "",
        "| verdict | confidence | draws | right | share right | 95 % interval |",
        "|---|---|---:|---:|---:|---|",
        *(_row(row) for row in table(draws)),
        "",
        "| bound | counted | share | holds |",
        "|---|---|---:|---|",
        *(_bound(bound) for bound in bounds(draws)),
    ]
    return "\n".join(lines)


def _row(row: Row) -> str:
    low, high = row.interval
    code = "**all**" if row.code == "all" else f"`{row.code}`"
    return f"| {code} | {row.confidence} | {row.draws} | {row.right} | {row.share:.2%} | {low:.2%} to {high:.2%} |"


def _bound(bound: Bound) -> str:
    share = f"{bound.hits / bound.of:.2%}" if bound.of else "-"
    return f"| {bound.says} | {bound.hits} of {bound.of} | {share} | {'yes' if bound.holds else '**no**'} |"


def written(page: str, text: str) -> str:
    """The page with the text in its marked section. Raises ValueError where it has none."""
    before, begin, rest = page.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError(f"the page has no section between {BEGIN!r} and {END!r}")
    return f"{before}{BEGIN}\n\n{text}\n\n{END}{after}"


def write(draws: Sequence[Draw], spoiled: int) -> None:
    PAGE.write_text(written(PAGE.read_text(encoding="utf-8"), section(draws, spoiled)), encoding="utf-8")
    PICTURE.write_text(reliability_svg(table(draws)), encoding="utf-8")


def wrong_ones(draws: Sequence[Draw]) -> str:
    """Each wrong draw on a line, and what else breaks a bound; then what was not high although it could be."""
    lines = []
    for one in draws:
        why = list(one.claims)
        if one.code not in one.wanted:
            why.insert(0, f"wanted {' or '.join(one.wanted)}")
        if one.overclaimed:
            why.append("high, which the evidence forbids")
        if one.healthy and one.alarms:
            why.append(f"false {', '.join(one.alarms)}")
        if why:
            lines.append(f"{one.name}: {one.code} ({one.confidence}): {'; '.join(why)}")
    hidden = len(lines) - MOST_WRONG_SHOWN
    lines = [*lines[:MOST_WRONG_SHOWN], *([f"... and {hidden} more"] if hidden > 0 else [])]
    lacking = Counter(
        one.name.partition("/")[0] for one in draws if one.complete and one.confidence != "high"
    )
    lines += [f"complete, not high: {name} {count} times" for name, count in lacking.most_common()]
    return "\n".join(lines)
