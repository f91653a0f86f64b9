"""What `import flowdiag` offers: the answers of the commands as objects and tables."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import flowdiag
from flowdiag.cli.demo import CAPTURE, PROFILE, REPORTED, WINDOW
from flowdiag.cli.main import main
from flowdiag.errors import ExportError, ProfileError, UsageError
from tests.review.portfolios import small

SPAN: dict[str, Any] = dict(zip(("window_from", "window_to"), WINDOW, strict=True))


def told(*words: object) -> Any:
    """The JSON that a command gives."""
    result = CliRunner().invoke(main, [*map(str, words), "--format", "json", "--quiet"])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def options() -> list[str]:
    return ["--from", WINDOW[0], "--to", WINDOW[1]]


def test_a_diagnosis_is_that_of_the_command(demo: Path) -> None:
    found = flowdiag.diagnose(demo / CAPTURE, demo / PROFILE, reported=REPORTED, **SPAN)
    command = told("diagnose", demo / CAPTURE, "--site", demo / PROFILE, *options(), "--reported", REPORTED)
    assert json.loads(found.to_json()) == command
    assert json.loads(found.to_json(ticket="T-7"))["ticket"] == "T-7"
    assert found.verdict.code == command["verdict"]["code"]
    assert found.to_html().startswith("<!doctype html>")
    assert found.verdict.sentence[:40] in found.to_text().replace("\n", " ")


def test_a_diagnosis_shows_itself_in_a_notebook_as_a_page_of_its_own(demo: Path) -> None:
    shown = flowdiag.diagnose(demo / CAPTURE, flowdiag.read_profile(demo / PROFILE), **SPAN)._repr_html_()
    assert shown.startswith('<iframe srcdoc="&lt;!doctype html&gt;')
    assert shown.count("<") == 2  # nothing of the note is markup of the notebook
    assert " sandbox " in shown


def test_usage_is_a_table_by_link_direction_and_time(demo: Path) -> None:
    frame = flowdiag.usage(demo / CAPTURE, demo / PROFILE, window_s=300, **SPAN)
    command = told("usage", demo / CAPTURE, "--site", demo / PROFILE, *options(), "--window", "5m")
    assert frame.index.names == ["link", "direction", "start"]
    assert {name: str(kind) for name, kind in frame.dtypes.items()} == {
        **dict.fromkeys(("seconds", "capacity_mbps", "mbps", "lower_mbps", "upper_mbps"), "float64"),
        "state": "category",
    }
    for link in command["links"]:
        mine = frame.loc[(link["name"], link["direction"])]
        assert [start.isoformat() for start in mine.index] == [one["start"] for one in link["series"]]
        wanted = [one["mbps"] for one in link["series"]]
        assert [None if rate != rate else round(rate, 6) for rate in mine["mbps"]] == wanted
        assert mine["state"].tolist() == [one["state"] for one in link["series"]]
        assert set(mine["capacity_mbps"]) == {link["capacity_mbps"]}
    assert frame.attrs == {"site": command["site"], "notes": command["notes"]}
    assert "<table" in frame._repr_html_()


def test_what_is_not_known_is_no_number(demo: Path) -> None:
    after = flowdiag.usage(
        demo / CAPTURE, demo / PROFILE, window_from="2026-03-03 20:00", window_to="2026-03-03 21:00"
    )
    assert set(after["state"]) == {"unknown"}
    assert after["mbps"].isna().all()


@pytest.mark.parametrize("kind", ["talkers", "applications", "destinations", "conversations"])
def test_a_ranking_is_a_table_by_rank(demo: Path, kind: Any) -> None:
    frame = flowdiag.top(demo / CAPTURE, kind, demo / PROFILE, limit=5, **SPAN)
    command = told("top", kind, demo / CAPTURE, "--site", demo / PROFILE, *options(), "-n", "5")
    rows = command["rows"]
    assert frame.index.name == "rank"
    assert frame.index.tolist() == list(range(1, len(rows) + 1))
    if kind == "conversations":
        assert frame[["inside", "outside", "application"]].to_dict("records") == [row["key"] for row in rows]
    else:
        assert frame["key"].tolist() == [row["key"] for row in rows]
    assert frame["octets"].tolist() == [row["octets"] for row in rows]
    assert frame["first"].tolist() == [datetime.fromisoformat(row["first"]) for row in rows]
    assert frame["bound_octets"].tolist() == [0] * len(rows)
    assert str(frame["octets"].dtype) == "int64"
    assert str(frame["share"].dtype) == "float64"
    assert frame["octets"].sum() + frame.attrs["rest"] == frame.attrs["total"] == command["total"]["octets"]


def test_a_ranking_of_nothing_has_the_same_columns(demo: Path) -> None:
    full = flowdiag.top(demo / CAPTURE, "talkers", demo / PROFILE)
    none = flowdiag.top(
        demo / CAPTURE,
        "talkers",
        demo / PROFILE,
        window_from="2026-03-03 20:00",
        window_to="2026-03-03 21:00",
    )
    assert len(none) == 0
    assert none.dtypes.to_dict() == full.dtypes.to_dict()
    assert none.attrs["notes"][0].startswith("No flow lies in this time")


def test_a_review_is_a_table_by_rank(tmp_path: Path) -> None:
    small(tmp_path)
    frame = flowdiag.review(tmp_path / "flows", tmp_path / "sites")
    command = told("review", "--store", tmp_path / "flows", "--sites", tmp_path / "sites")
    assert frame.index.tolist() == list(range(1, len(command["sites"]) + 1))
    assert frame["site"].tolist() == [site["site"] for site in command["sites"]]
    assert frame["advice"].tolist() == [site["advice"] for site in command["sites"]]
    assert str(frame["p95_mbps"].dtype) == "float64"
    # The function stays what the name means, whatever is imported of the package called alike.
    assert len(flowdiag.review(tmp_path / "flows", tmp_path / "sites")) == len(frame)


def test_what_is_wrong_is_an_error_of_its_kind(demo: Path, tmp_path: Path) -> None:
    wrong: list[tuple[type[Exception], Callable[[], object]]] = [
        (ExportError, lambda: flowdiag.diagnose(tmp_path / "none.pcap", demo / PROFILE)),
        (ProfileError, lambda: flowdiag.usage(demo / CAPTURE, tmp_path / "none.toml")),
        (UsageError, lambda: flowdiag.top(demo / CAPTURE, "talkers", link="fibre")),
        (UsageError, lambda: flowdiag.diagnose(demo / CAPTURE, demo / PROFILE, link="none")),
        (UsageError, lambda: flowdiag.diagnose(demo / CAPTURE, demo / PROFILE, window_from="soon")),
        (AttributeError, lambda: flowdiag.no_such_thing),  # type: ignore[attr-defined]
    ]
    for kind, asked in wrong:
        with pytest.raises(kind):
            asked()


def test_importing_loads_nothing_heavy() -> None:
    script = (
        "import sys, flowdiag; before = {'pandas', 'pyarrow', 'numpy'} & set(sys.modules); "
        "flowdiag.diagnose; flowdiag.review; print(sorted(before), 'pandas' in sys.modules, callable(flowdiag.review))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["[]", "False", "True"]
