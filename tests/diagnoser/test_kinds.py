"""The files of findings/ are the list of findings: whatever lists codes follows from them."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import flowdiag
from flowdiag.diagnoser.diagnose import FINDERS
from flowdiag.diagnoser.kind import always
from flowdiag.diagnoser.kinds import BY_CODE, KINDS, ORDER
from flowdiag.explained import finding_codes

PACKAGE = Path(flowdiag.__file__).parent
FINDINGS = PACKAGE / "diagnoser" / "findings"


def test_each_file_is_a_kind_and_each_kind_a_file() -> None:
    names = {file.stem.replace("_", "-") for file in FINDINGS.glob("*.py") if file.stem != "__init__"}
    assert set(BY_CODE) == names
    assert [kind.code for kind in KINDS] == finding_codes()


def test_places_are_told_apart() -> None:
    assert [kind.page for kind in KINDS] == list(range(1, len(KINDS) + 1))
    places = [rank.at for rank, _ in ORDER]
    assert places == sorted(set(places))


def test_the_order_of_verdicts() -> None:
    """What takes the line away, what fills it, what uses it; faults of the backup's test only in an audit."""
    complaint = [kind.code for rank, kind in ORDER if not rank.audit]
    assert complaint == [
        "outage", "flapping", "on-backup", "inbound-flood", "outbound-scan", "link-full", "below-plan",
        "asymmetric-path", "backup-leak", "link-busy", "unanswered-connections", "outbound-scan",
    ]  # fmt: skip
    assert [kind.code for rank, kind in ORDER if rank.audit] == [
        "keepalive-missing", "keepalive-unanswered", "keepalive-excess", "backup-leak",
    ]  # fmt: skip
    # A kind with two places has a condition at the first, or nothing would be left for the second.
    first = {kind.code: rank for rank, kind in reversed(ORDER)}
    assert all(first[code].holds is not always for code in ("outbound-scan", "backup-leak"))


def test_what_the_client_is_told_belongs_to_verdicts() -> None:
    for kind in KINDS:
        verdict = bool(kind.ranks) or kind.find is None
        assert bool(kind.means) == verdict
    assert len(FINDERS) == sum(kind.find is not None for kind in KINDS)


def test_the_schema_of_the_note_lists_the_kinds() -> None:
    schema = json.loads((PACKAGE / "note" / "note.schema.json").read_text(encoding="utf-8"))
    found: list[list[str]] = []

    def look(node: object) -> None:
        if isinstance(node, dict):
            if "link-full" in node.get("enum", ()):
                found.append(node["enum"])
            for value in node.values():
                look(value)
        elif isinstance(node, list):
            for value in node:
                look(value)

    look(schema)
    verdicts = [kind.code for kind in KINDS if kind.ranks or kind.find is None]
    findings = [kind.code for kind in KINDS if kind.find is not None]
    assert sorted(found, key=len) == sorted([verdicts, findings], key=len)


def test_a_file_more_is_a_finding_more(tmp_path: Path) -> None:
    (tmp_path / "night_owl.py").write_text(
        "from flowdiag.diagnoser.kind import Kind, Rank\n"
        "KIND = Kind(code='night-owl', page=100, find=lambda case: [], ranks=(Rank(65),), means='It is late.')\n"
    )
    script = (
        "from flowdiag.diagnoser import findings\n"
        f"findings.__path__.append({str(tmp_path)!r})\n"
        "from flowdiag.diagnoser.diagnose import FINDERS\n"
        "from flowdiag.diagnoser.kinds import BY_CODE, ORDER\n"
        "codes = [kind.code for _, kind in ORDER]\n"
        "print(BY_CODE['night-owl'].find in FINDERS, codes[codes.index('night-owl') - 1])\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "link-full"]
