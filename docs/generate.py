"""Writes the pages that are drawn from the program itself: findings, profile, commands, metrics, the JSON of the note.

Run as `python docs/generate.py`; with --check it only lists the pages that are out of date, and a test does so.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import click

from flowdiag.cli.main import COMMANDS, main
from flowdiag.collector.live.health import Health
from flowdiag.collector.live.metrics import HealthCollector
from flowdiag.diagnoser.evidence_schema import evidence_schema
from flowdiag.diagnoser.kinds import KINDS
from flowdiag.explained import pages, with_figures
from flowdiag.note.json_note import SCHEMA_FILE
from flowdiag.review import reference
from flowdiag.site.reference import profile_tables

DOCS: Final = Path(__file__).parent
# Below docs/; the program brings it along.
SHIPPED: Final = Path("..") / SCHEMA_FILE.relative_to(DOCS.parent)
# Written by hand, drawn into the pages around what the program knows.
EXAMPLE: Final = DOCS / "reference" / "site.toml"

PROFILE_INTRO: Final = """\
The profile says what the program cannot see in an export: what the site bought, which link is the backup, what the
devices are called. `flowdiag draft EXPORT` proposes one ([how](../howto/draft-a-profile.md)); without plan rates it only serves
to count (`top`), and what judges refuses it. It is TOML; unknown keys, wrong types and impossible values are
each one line that names the file and the key, and exit code 1.

A full example:"""
PROFILE_OUTRO: Final = """\
## `[plan_catalogue]`

Plans on offer, for the account review: a name and its download and upload rate in Mbit/s, as in
`"Fibre 250" = [250, 100]`."""
NOTE_INTRO: Final = """\
`flowdiag diagnose --format json` writes one object, described by the JSON Schema
[note.schema.json](../note.schema.json) (2020-12), which also ships in the package. Keys may be added in later versions, never
changed. Rates are Mbit/s (10^6 bit/s) with the link's framing; `bytes` are IP octets scaled for sampling; shares run from 0 to
1; times are ISO 8601 with the site's offset. The unit of a figure in `evidence` is the end of its key: `_mbps`, `_s`,
`_minutes`, `_gb` (10^9 octets), `_percent`. `--brief` does not shorten it."""

REVIEW_INTRO: Final = """\
What `flowdiag review` writes: `--format csv` one row a site, `xlsx` that and a sheet with one row a link and direction, `json` an
object with `from`, `to` and `sites`, each with its `links` and its `backup`. Rates are Mbit/s (10^6 bit/s) with the link's
framing, octets are those of IP, shares run from 0 to 1. Slots of five minutes in which the exporter was silent, or a primary was
out and the site on its backup, say nothing about need and do not count.

A store with roll-ups answers by them: flows are read only for days on which a backup carried more or less than its keepalives,
and where sums cannot tell which record counts (copies of several exporters or domains, translated addresses of which
another copy may name the host, interfaces that are not exported). The figures are the same, to the octets of a packet's
framing a minute. Days whose flows are gone because of their age are told by their roll-ups, which `problems` says.

Sources: five-minute rates and the nearest-rank 95th percentile are what transit billing goes by (common practice, no source); the
busy hour is the time-consistent one of ITU-T E.600 (from memory); the trend is Theil and Sen's estimator with its 95 % interval
(Sen 1968). Thresholds are those of the [site profile](profile.md). How an advice is chosen:
[review accounts](../howto/review-accounts.md)."""

METRICS_INTRO: Final = """\
What `flowdiag collect` tells at `http://127.0.0.1:9474/metrics` (`--metrics-port`) in the Prometheus text format. Counters
are those of all its processes since it was started, whichever of them was started again meanwhile. Those with the label
`exporter` tell the 500 busiest exporters, each by its address. `/health` answers 200 and `ok`, or 503 and a line for each thing
that is wrong now; nothing else is answered. What to watch: [collect all the time](../howto/collect.md#watching-it)."""


def generated() -> dict[Path, str]:
    """The text of each generated page by its path below docs/."""
    texts = {}
    rows = ["# Findings", "", "| code | says |", "|---|---|"]
    for page in pages():
        texts[Path("findings") / f"{page.code}.md"] = with_figures(page).markdown()
        rows.append(f"| [`{page.code}`]({page.code}.md) | {page.says} |")
    texts[Path("findings") / "index.md"] = "\n".join(rows) + "\n"
    texts[Path("reference") / "profile.md"] = profile()
    texts[Path("reference") / "note.md"] = note()
    texts[Path("reference") / "commands.md"] = commands()
    texts[Path("reference") / "review.md"] = review()
    texts[Path("reference") / "metrics.md"] = metrics()
    texts[Path("note.schema.json")] = texts[SHIPPED] = json.dumps(note_schema(), indent=2) + "\n"
    return texts


def profile() -> str:
    """An example, then every key with its meaning, what is allowed, and its default."""
    example = f"```toml\n{EXAMPLE.read_text(encoding='utf-8').rstrip()}\n```"
    return "\n\n".join(["# Site profile", PROFILE_INTRO, example, *profile_tables(), PROFILE_OUTRO]) + "\n"


def commands() -> str:
    """Each command's own help."""
    parts = ["# Commands"]
    context = click.Context(main, info_name="flowdiag", terminal_width=100, **main.context_settings)
    for name in COMMANDS:
        command = main.get_command(context, name)
        if command is not None:
            inner = click.Context(command, info_name=name, parent=context, terminal_width=100)
            parts += [f"## {name}", f"```text\n{command.get_help(inner).rstrip()}\n```"]
    return "\n\n".join(parts) + "\n"


def note() -> str:
    """Every key of the schema with its kind and meaning."""
    schema = note_schema()
    rows = [
        f"| `{path}` | {kind} | {said} |" for path, kind, said in _keys(schema, schema, "") if said or kind
    ]
    table = "\n".join(["| key | kind | meaning |", "|---|---|---|", *rows])
    return f"# The note as JSON\n\n{NOTE_INTRO}\n\n{table}\n"


def note_schema() -> dict[str, Any]:
    """The schema as it is, with the codes and the evidence of the findings that there are."""
    schema: dict[str, Any] = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
    found = [kind for kind in KINDS if kind.find is not None]
    finding = schema["$defs"]["finding"]
    finding["properties"]["code"]["enum"] = [kind.code for kind in found]
    schema["properties"]["verdict"]["properties"]["code"]["enum"] = [
        kind.code for kind in KINDS if kind.ranks or kind.find is None
    ]
    finding["allOf"] = [
        {
            "if": {"properties": {"code": {"const": kind.code}}},
            "then": {"properties": {"evidence": {"$ref": f"#/$defs/evidence-of-{kind.code}"}}},
        }
        for kind in found
    ]
    kept = {name: part for name, part in schema["$defs"].items() if not name.startswith("evidence-of-")}
    made = {f"evidence-of-{kind.code}": evidence_schema(kind.evidence) for kind in found}
    return {**schema, "$defs": kept | made}


def review() -> str:
    """Every column and key of a review."""
    parts = ["# The account review's columns and keys", REVIEW_INTRO]
    tables = (
        ("Of a site", reference.SITE),
        ("Of a link and direction", reference.LINK),
        ("Of the backup", reference.BACKUP),
    )
    for title, said in tables:
        rows = [f"| `{name}` | {meaning} |" for name, meaning in said.items()]
        parts += [f"## {title}", "\n".join(["| column or key | meaning |", "|---|---|", *rows])]
    return "\n\n".join(parts) + "\n"


def metrics() -> str:
    """Every metric of the collector with its type and meaning."""
    rows = []
    for metric in HealthCollector(Health(lambda _: None)).collect():
        name = f"{metric.name}_total" if metric.type == "counter" else metric.name
        rows.append(f"| `{name}` | {metric.type} | {metric.documentation} |")
    table = "\n".join(["| metric | type | meaning |", "|---|---|---|", *rows])
    return f"# The collector's metrics\n\n{METRICS_INTRO}\n\n{table}\n"


def _keys(schema: dict[str, Any], part: dict[str, Any], path: str) -> Iterator[tuple[str, str, str]]:
    """(path, kind, meaning) of each key below a part of the schema, in its order."""
    for name, given in part.get("properties", {}).items():
        here = f"{path}.{name}" if path else name
        value, items = _resolved(schema, given), _resolved(schema, given).get("items")
        if items is not None:
            here, inner = f"{here}[]", _resolved(schema, items)
            yield here, f"list of {_kind(inner)}s", value.get("description", "")
            yield from _keys(schema, inner, here)
        else:
            yield here, _kind(value), value.get("description", "")
            yield from _keys(schema, value, here)


def _resolved(schema: dict[str, Any], part: dict[str, Any]) -> dict[str, Any]:
    """What a reference names; its own description wins."""
    if "$ref" not in part:
        return part
    named = schema["$defs"][part["$ref"].rsplit("/", 1)[1]]
    return named | {key: value for key, value in part.items() if key != "$ref"}


def _kind(part: dict[str, Any]) -> str:
    if "const" in part:
        return f"`{json.dumps(part['const'])}`"
    if "enum" in part:
        shown = [json.dumps(value) for value in part["enum"]]
        return "a code" if len(shown) > 5 else ", ".join(f"`{value}`" for value in shown)
    kinds = part.get("type", "object")
    return kinds if isinstance(kinds, str) else " or ".join(kinds)


def stale() -> list[str]:
    """Pages that are missing or say something else than the program."""
    return [
        str(path)
        for path, text in generated().items()
        if not (DOCS / path).is_file() or (DOCS / path).read_text(encoding="utf-8") != text
    ]


if __name__ == "__main__":
    if sys.argv[1:] == ["--check"]:
        sys.exit("\n".join(stale()) or None)
    for path, text in generated().items():
        (DOCS / path).parent.mkdir(parents=True, exist_ok=True)
        (DOCS / path).write_text(text, encoding="utf-8")
