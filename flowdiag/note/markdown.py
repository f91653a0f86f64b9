"""The note as Markdown: CommonMark and pipe tables only."""

from __future__ import annotations

from flowdiag.note.escape import markdown
from flowdiag.note.model import Note


def render(note: Note) -> str:
    """Markdown that pastes into a ticket."""
    d = note.document
    lines = [f"## {markdown(d['site'])}", "", f"{d['window']['from']} to {d['window']['to']}", ""]
    if d["reported"]:
        lines += [f"You told us: {markdown(d['reported'])}", ""]
    lines += [f"**{markdown(d['verdict']['sentence'])}**", "", "### Findings", ""]
    lines += [f"- **{f['severity']}** `{f['code']}`: {markdown(f['summary'])}" for f in d["findings"]]
    lines += [
        "",
        "### Links",
        "",
        "| link | way | plan | mean | p95 | peak |",
        "|---|---|---:|---:|---:|---:|",
    ]
    for link in d["links"]:
        for way in ("down", "up"):
            keys = ("capacity_mbps", "mean_mbps", "p95_mbps", "peak_mbps")
            rates = " | ".join(f"{link[way][key]:.1f}" for key in keys)
            lines.append(f"| {markdown(link['name'])} | {way} | {rates} |")
    return "\n".join(lines) + "\n"
