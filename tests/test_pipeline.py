"""The main job from end to end, from Python."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest
from msgspec.structs import replace

from flowdiag.cli.demo import CAPTURE, PROFILE
from flowdiag.collector.report import ExportReport, SessionReport
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.diagnoser.finding import Finding, Verdict
from flowdiag.errors import ExportError, UsageError
from flowdiag.pipeline import link_named, restricted, run, span
from flowdiag.site.profile import Profile
from flowdiag.site.reading import read_profile


@pytest.fixture(scope="module")
def profile(demo: Path) -> Profile:
    return read_profile(demo / PROFILE)


@pytest.fixture(scope="module")
def diagnosis(demo: Path, profile: Profile) -> Diagnosis:
    return run([demo / CAPTURE], profile, window_from="14:10", window_to="14:50", reported=" calls freeze ")


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def test_the_case_knows_the_window_and_the_complaint(diagnosis: Diagnosis) -> None:
    case = diagnosis.case
    assert case.window_ms == (ms("2026-03-03T14:10+13:00"), ms("2026-03-03T14:50+13:00"))
    assert (case.window_given, case.reported) == (True, "calls freeze")


def test_without_a_window_it_is_all_of_the_export(demo: Path, profile: Profile) -> None:
    case = run([demo / CAPTURE], profile, reported=" ").case
    assert case.window_ms == (case.coverage.first_ms, case.coverage.last_ms)
    assert (case.window_given, case.reported) == (False, None)


def test_only_the_sites_exporters_count(demo: Path, profile: Profile) -> None:
    site = profile.site.model_copy(update={"exporters": ["192.0.2.99"]})
    with pytest.raises(ExportError, match=r"exporters"):
        run([demo / CAPTURE], profile.model_copy(update={"site": site}))


def test_links_are_found_by_name_whatever_the_case(profile: Profile) -> None:
    assert [link_named(profile, name) for name in ("fibre", "LTE ")] == [0, 1]
    with pytest.raises(UsageError, match=r'no link .dsl.; expected "fibre" or "lte"'):
        link_named(profile, "dsl")


def test_a_restricted_diagnosis_keeps_its_verdict_and_says_what_it_left_out(diagnosis: Diagnosis) -> None:
    def finding(code: str, link: str | None, direction: str | None) -> Finding:
        return Finding(code, "info", "low", "", "", link=link, direction=direction)  # type: ignore[arg-type]

    base = finding("link-full", "lte", "down")
    others = [
        finding("a", "fibre", "up"),
        finding("b", "fibre", "down"),
        finding("c", "lte", "up"),
        finding("d", None, None),
        finding("e", "fibre", None),
    ]
    whole = replace(diagnosis, findings=(base, *others), verdict=Verdict("link-full", "", "low", base))
    assert [f.code for f in restricted(whole, 0, "up").findings] == ["link-full", "a", "d", "e"]
    assert [f.code for f in restricted(whole, None, "up").findings] == ["link-full", "a", "c", "d", "e"]
    part = restricted(whole, 0, None)
    assert [f.code for f in part.findings] == ["link-full", "a", "b", "d", "e"]
    assert part.verdict is whole.verdict
    assert [figures.name for figures in part.links] == ["fibre"]
    assert part.cautions == (
        *whole.cautions,
        'Figures and findings are those of link "fibre" only; the verdict looks at all.',
    )


def test_restricted_rankings_are_those_of_the_link_and_direction(diagnosis: Diagnosis) -> None:
    up = restricted(diagnosis, 0, "up")
    whole = {row.key: row.octets for row in diagnosis.talkers}
    assert up.talkers
    assert sum(row.octets for row in up.talkers) < sum(whole.values())
    assert up.talkers[0].key == "192.168.40.20"  # the machine whose backup fills the upload


def test_without_flow_times_the_messages_give_the_span(diagnosis: Diagnosis) -> None:
    coverage = replace(diagnosis.case.coverage, first_ms=None, last_ms=None)
    assert span(coverage, ExportReport()) == (None, None)
    sessions = [
        SessionReport(bytes(16), 1, 0, "ipfix", first_export_ms=5, last_export_ms=9),
        SessionReport(bytes(16), 2, 0, "ipfix", first_export_ms=3, last_export_ms=8),
        SessionReport(bytes(16), 3, 0, "ipfix"),
    ]
    assert span(coverage, ExportReport(sessions=sessions)) == (3, 9)
