"""The note as plain text of 100 columns: the client part first, then the engineer part."""

from __future__ import annotations

from textwrap import wrap
from typing import Any, Final

from flowdiag.note.escape import terminal
from flowdiag.note.model import Note

WIDTH: Final = 100


def render(note: Note) -> str:
    """Text for a terminal and for pasting."""
    d = note.document
    lines = [f"{d['site']}" + (f" - ticket {d['ticket']}" if d["ticket"] else "")]
    lines += [f"{d['window']['from']} to {d['window']['to']}", "", "FOR THE CLIENT"]
    if d["reported"]:
        lines += _paragraph(f"You told us: {d['reported']}")
    lines += _paragraph(d["verdict"]["sentence"])
    if note.verdict.next_steps:
        lines += _paragraph(f"Next: {note.verdict.next_steps[0].text}")
    lines += [
        "",
        "FOR THE ENGINEER",
        f"Verdict: {d['verdict']['code']} (confidence {d['verdict']['confidence']})",
    ]
    for finding in d["findings"]:
        lines += _paragraph(f"[{finding['severity']}] {finding['code']}: {finding['summary']}")
        lines += [line for action in finding["actions"] for line in _paragraph(f"- {action}", "    ")]
    lines += ["", "Link              way     plan     mean      p95     peak  busy min  full min   (Mbit/s)"]
    for link in d["links"]:
        for way in ("down", "up"):
            lines.append(_row(link["name"], way, link[way]))
    for title, rows, key in (
        ("Talkers", d["talkers"], "address"),
        ("Applications", d["applications"], "application"),
        ("Destinations", d["destinations"], "address"),
    ):
        lines += ["", title]
        for row in rows[:5]:
            label = f" ({row['label']})" if row.get("label") else ""
            lines.append(f"  {row['share'] * 100:5.1f} %  {row['bytes'] / 1e6:10.1f} MB  {row[key]}{label}")
    lines += ["", f"Evidence: {d['coverage']['records']} records, {d['coverage']['lost_records']} lost"]
    for text in [*d["coverage"]["notes"], *d["cautions"]]:
        lines += _paragraph(f"- {text}")
    return "".join(terminal(line) + "\n" for line in lines)


def _paragraph(text: str, indent: str = "  ") -> list[str]:
    return wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")


def _row(name: str, way: str, f: dict[str, Any]) -> str:
    rates = " ".join(f"{f[k]:8.1f}" for k in ("capacity_mbps", "mean_mbps", "p95_mbps", "peak_mbps"))
    return f"{name[:16]:16}  {way:4} {rates}  {f['busy_minutes']:8} {f['full_minutes']:9}"
