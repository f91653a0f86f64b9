"""The morning list names the sites whose backup would not carry them, why, since when, and of whom nobody can tell."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from msgspec.structs import replace

from flowdiag import read_export
from flowdiag.cli.main import main
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.opening import open_backend
from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.library import FERRY_OFFICE
from flowdiag.scenario.scene import Scene
from flowdiag.scenario.site import profile_toml
from flowdiag.site.profile import Profile
from flowdiag.text.wording.watch import morning as wording
from flowdiag.watch.event import Incident, Matter, SiteMemory, key_of
from flowdiag.watch.ledgers.opening import open_ledger
from flowdiag.watch.part import Part, encoded
from flowdiag.watch.report import as_csv, as_html, as_json, as_text
from flowdiag.watch.report.acknowledging import acknowledged_in, with_acknowledged
from flowdiag.watch.report.month import MonthUse, month_use
from flowdiag.watch.report.morning import morning_list
from flowdiag.watch.report.reasons import Acknowledged, ListedSite, MorningList, Reason, UnsureSite
from flowdiag.watch.report.site import Said, SiteTask, Well, said_of
from flowdiag.watch.report.sites import ReportSite, read_sites
from flowdiag.watch.silenced import DOCUMENT as SILENCED
from flowdiag.watch.silenced import Silence, add_silence
from flowdiag.watch.state import DayState, Mark, SiteState
from tests.watch.playing import KEEPALIVE, NOW, Played, ago, play

HOSTILE = '=cmd|"/c calc"!A1 <script>alert(1)</script>\u202e'


def nothing(scene: Scene) -> None:
    pass


def on_the_backup(scene: Scene) -> None:
    scene.network.fail(0, ago(25), scene.end, backup=1, gap_ms=3000)


def down(scene: Scene) -> None:
    for link in (0, 1):
        scene.network.fail(link, ago(12), scene.end)
    trouble.stranded(scene, ago(12) + 1000, scene.end - 4000, 25)


def leaking(scene: Scene) -> None:
    do.streaming(scene, scene.hosts[3], scene.start, scene.end, 0.4)
    do.upload(scene, scene.hosts[0], scene.start, 500, cap_mbps=0.3, link=1)


def keepalives_stopped(scene: Scene) -> None:
    do.keepalive(scene, 1, KEEPALIVE, scene.start, ago(80))


def keepalives_unanswered(scene: Scene) -> None:
    do.keepalive(scene, 1, KEEPALIVE, scene.start, ago(20))
    do.keepalive(scene, 1, KEEPALIVE, ago(20), scene.end, answered=False)


@pytest.fixture(scope="module")
def healthy(tmp_path_factory: pytest.TempPathFactory) -> Played:
    return play(tmp_path_factory.mktemp("healthy"), nothing)


@pytest.fixture(scope="module")
def leak(tmp_path_factory: pytest.TempPathFactory) -> Played:
    return play(tmp_path_factory.mktemp("leak"), leaking)


def asked(played: Played, now_ms: int = NOW, **changes: Any) -> Said:
    profile = changes.pop("profile", played.profile)
    return said_of(SiteTask(played.store, ReportSite("ferry.toml", "Ferries", profile, **changes), now_ms))


def listed(said: Said) -> ListedSite:
    assert isinstance(said, ListedSite)
    return said


def reason(said: Said, code: str) -> Reason:
    (found,) = [one for one in listed(said).reasons if one.code == code]
    return found


def changed(profile: Profile, **link: Any) -> Profile:
    """A profile with another backup."""
    return profile.model_copy(
        update={"link": [profile.link[0], profile.link[1].model_copy(update=link), *profile.link[2:]]}
    )


def test_a_healthy_site_is_not_on_the_list(healthy: Played) -> None:
    assert asked(healthy) == Well(has_backup=True)


@pytest.mark.parametrize(
    ("trouble", "code", "began_ms"),
    [
        (keepalives_stopped, "keepalive-missing", ago(80)),
        (keepalives_unanswered, "keepalive-unanswered", ago(20)),
        (on_the_backup, "on-backup", ago(25)),
        (down, "outage", ago(12)),
    ],
)
def test_what_was_played_is_on_the_list(tmp_path: Path, trouble: Any, code: str, began_ms: int) -> None:
    own = code.startswith("keepalive")
    found = reason(asked(play(tmp_path, trouble, keepalives=not own)), code)
    assert found.since_ms == pytest.approx(began_ms, abs=MINUTE_MS)
    assert not found.before
    assert found.confidence == "high"
    assert found.client


def test_a_backup_that_carries_the_site_needs_no_keepalive(tmp_path: Path) -> None:
    def stopped_and_failed_over(scene: Scene) -> None:
        keepalives_stopped(scene)
        on_the_backup(scene)

    said = listed(asked(play(tmp_path, stopped_and_failed_over, keepalives=False)))
    assert [one.code for one in said.reasons] == ["on-backup"]


def test_a_leak_says_who_what_and_the_month_so_far(leak: Played) -> None:
    found = reason(asked(leak), "backup-leak")
    assert "192.168.40.20 (ticket-hall archive)" in found.what
    assert "https" in found.what
    assert "a month" in found.what
    assert "The backup carried at least " in found.what  # nothing is known of the first two days
    assert "in the month so far" in found.what
    assert "192.168.40.20" not in found.client


def test_a_leak_of_the_last_day_says_when_it_was_over(tmp_path: Path) -> None:
    def leaked(scene: Scene) -> None:
        do.upload(scene, scene.hosts[0], ago(150), 20, cap_mbps=0.15, link=1)  # 18 minutes

    played = play(tmp_path, leaked)
    found = reason(asked(played), "backup-leak")
    assert found.since_ms == pytest.approx(ago(150), abs=MINUTE_MS)
    assert found.ended_ms == pytest.approx(ago(132), abs=2 * MINUTE_MS)
    said = MorningList(NOW, 1, (listed(asked(played)),), (), 0, 0)
    assert re.search(r"11:00 to 11:1\d NZDT", as_text.render(said, on_terminal=False))


def octets_over(played: Played, interface: int) -> int:
    """What crossed an interface, by the records alone."""
    flows = read_export([played.store])
    return sum(
        octets
        for octets, ingress, egress in zip(
            *(flows[name].to_pylist() for name in ("octets", "ingress_interface", "egress_interface")),
            strict=True,
        )
        if interface in (ingress, egress)
    )


def use(played: Played, profile: Profile, now_ms: int) -> MonthUse:
    backend = open_backend(played.store)
    with backend.reading():
        (found,) = month_use(backend, profile, now_ms)
    return found


def test_the_month_counts_what_crossed_the_backup(leak: Played) -> None:
    found = use(leak, leak.profile, NOW)
    assert found.octets == pytest.approx(octets_over(leak, 3), rel=1e-4)
    assert (found.day, found.days) == (3, 31)
    assert not found.whole  # nothing is known of the first two days
    later = use(leak, leak.profile, NOW + 29 * DAY_MS)  # 1 April in Auckland
    assert (later.octets, later.day, later.days) == (0, 1, 30)


def test_an_allowance_says_its_share_the_day_and_when_it_is_used_up(leak: Played) -> None:
    octets = octets_over(leak, 3)
    nearly = changed(leak.profile, allowance_gb=octets / 0.9 / 1e9)
    found = reason(asked(leak, profile=nearly), "allowance-nearly-used")
    assert found.allowance is not None
    assert found.allowance.share == pytest.approx(0.9, rel=1e-3)
    # Nine tenths came in the three hours that are known, so the last one comes in twenty minutes.
    assert found.allowance.used_up_ms == pytest.approx(NOW + HOUR_MS / 3, abs=2 * MINUTE_MS)
    assert "day 3 of 31 of the month" in found.what
    assert "used up today" in found.client
    assert "at least 90%" in found.client
    gone = asked(leak, profile=changed(leak.profile, allowance_gb=octets / 1.2 / 1e9))
    assert reason(gone, "allowance-used-up").allowance is not None
    assert listed(gone).reasons[0].code == "allowance-used-up"
    plenty = asked(leak, profile=changed(leak.profile, allowance_gb=octets / 0.4 / 1e9))
    assert [one.code for one in listed(plenty).reasons] == ["backup-leak"]


@pytest.mark.parametrize(
    ("share", "late_ms", "is_nearly"),
    [(0.79, 20, False), (0.8, 20, True), (0.5, 3, True), (0.49, 3, False), (0.5, 4, False)],
)
def test_when_an_allowance_is_nearly_used(share: float, late_ms: float, is_nearly: bool) -> None:
    from flowdiag.watch.report.site import _is_nearly_used

    begin, end = 0, DAY_MS
    # At that pace the rest takes so many days.
    known = round(end - late_ms * DAY_MS * share / (1 - share))
    month = MonthUse(1, round(share * 1e9), 1.0, begin, known, end, 60 * DAY_MS, 2, 31, True, True)
    assert _is_nearly_used(month) is is_nearly


def test_an_exporter_that_is_not_heard_is_on_the_list(healthy: Played) -> None:
    found = reason(asked(healthy, NOW + 2 * HOUR_MS), "not-heard")
    assert found.since_ms == pytest.approx(NOW, abs=2 * MINUTE_MS)
    assert "since 13:" in found.client


def test_a_backup_without_a_plan_is_on_the_list_and_looked_at_all_the_same(
    healthy: Played, leak: Played
) -> None:
    without = {"given_down_mbps": None, "given_up_mbps": None}
    assert [
        one.code for one in listed(asked(healthy, profile=changed(healthy.profile, **without))).reasons
    ] == ["backup-plan-unknown"]
    both = listed(asked(leak, profile=changed(leak.profile, **without)))
    assert [one.code for one in both.reasons] == ["backup-leak", "backup-plan-unknown"]


def test_it_is_said_of_whom_nobody_can_tell(healthy: Played) -> None:
    def why(said: Said) -> str:
        assert isinstance(said, UnsureSite)
        return said.why

    assert why(asked(healthy, profile=changed(healthy.profile, keepalive=[]))) == "no-keepalives"
    elsewhere = healthy.profile.site.model_copy(update={"exporters": ["192.0.2.99"]})
    assert why(asked(healthy, profile=healthy.profile.model_copy(update={"site": elsewhere}))) == "no-records"
    broken = said_of(SiteTask(healthy.store, ReportSite("a.toml", "a", None, "a.toml: bad"), NOW))
    assert why(broken) == "unusable"


def test_what_somebody_knows_of_stays_on_the_list_and_says_so(morning: MorningList, tmp_path: Path) -> None:
    matter = Matter("backup-leak", "lte")
    key = key_of("b/leaks", matter, NOW - HOUR_MS)
    incident = Incident(
        key=key, matter=matter, severity="warning", confidence="high", began_ms=NOW - HOUR_MS, ended_ms=None,
        seen_ms=NOW, client="", summary="", told=(NOW,),
    )  # fmt: skip
    make_store(open_backend(tmp_path / "flows"))
    ledger = open_ledger(tmp_path / "flows")
    assert acknowledged_in(ledger, NOW) == {}
    part = Part(sites={"b/leaks": SiteMemory(name="x", incidents=(incident,)), "a": SiteMemory(name="y")})
    assert ledger.write("part-07", encoded(part), 0)
    add_silence(ledger, Silence(kind="muted", until_ms=NOW + HOUR_MS, key=key, reason="known", by="ana"), NOW)
    known = acknowledged_in(ledger, NOW)
    assert known == {"b/leaks": [Acknowledged("backup-leak", "lte", "ana", "known", NOW + HOUR_MS, True)]}
    assert acknowledged_in(ledger, NOW + 2 * HOUR_MS) == {}
    told = with_acknowledged(morning, known)
    assert [site.reasons[-1].acknowledged is not None for site in told.listed] == [False, True]
    assert "Muted by ana until 14:30 NZDT: known" in as_text.render(told, on_terminal=False)
    assert "Muted by ana" in as_html.render(told)
    assert json.loads(as_json.render(told))["sites"][1]["reasons"][0]["acknowledged"]["by"] == "ana"


@pytest.fixture(scope="module")
def morning(leak: Played, tmp_path_factory: pytest.TempPathFactory) -> MorningList:
    """Of one store, several profiles: in one folder, one for each thing that is counted."""
    folder = tmp_path_factory.mktemp("sites")
    toml = profile_toml(replace(FERRY_OFFICE, name="Ferry"))
    (folder / "b").mkdir()
    (folder / "b" / "leaks.toml").write_text(toml.replace('"Ferry"', json.dumps(HOSTILE[:-1])))
    (folder / "a.toml").write_text(toml.replace("allowance_gb = 50", "allowance_gb = 0.001"))
    (folder / "bad.toml").write_text("[site]\nnam = 1\n")
    (folder / "one-line.toml").write_text(profile_toml(replace(FERRY_OFFICE, links=FERRY_OFFICE.links[:1])))
    return morning_list(leak.store, read_sites(folder), NOW, jobs=2)


def test_the_list_counts_everybody_once_and_the_gravest_comes_first(morning: MorningList) -> None:
    assert morning.sites == 4
    assert [site.place for site in morning.listed] == ["a", "b/leaks"]
    assert [site.reasons[0].code for site in morning.listed] == ["allowance-used-up", "backup-leak"]
    assert [one.place for one in morning.unsure] == ["bad"]
    assert (morning.well, morning.without_backup) == (0, 1)
    assert morning.listed[1].client == "b"


def test_the_page_runs_no_script_and_says_for_how_many_nobody_can_tell(morning: MorningList) -> None:
    page = as_html.render(morning)
    assert "<script" not in page
    assert "alert(1)" in page  # told, as text
    assert "1 site: cannot be looked at" in page
    assert "4 sites: 2 on this list" in page
    assert 'http-equiv="Content-Security-Policy"' in page


def test_cells_of_the_csv_are_no_formulas(morning: MorningList) -> None:
    rows = list(csv.DictReader(io.StringIO(as_csv.render(morning))))
    assert [row["rank"] for row in rows] == ["1", "1", "2", ""]
    assert rows[2]["site"].startswith("'=cmd")
    assert rows[3]["code"] == "unsure-unusable"
    assert float(rows[0]["allowance_used"]) > 1


def test_json_and_text_tell_the_same(morning: MorningList) -> None:
    told = json.loads(as_json.render(morning))
    assert told["schema"] == "flowdiag.morning/1"
    assert told["counts"] == {"sites": 4, "listed": 2, "well": 0, "unsure": 1, "without_backup": 1}
    (first, *_), _ = (site["reasons"] for site in told["sites"])
    assert first["allowance"]["day"] == 3
    assert first["actions"][0]["who"] == "account manager"
    text = as_text.render(morning, on_terminal=False)
    assert "1. Ferry\n" in text
    assert "\u202e" not in text


def test_processes_and_one_process_make_the_same_list(
    morning: MorningList, leak: Played, tmp_path: Path
) -> None:
    (tmp_path / "a.toml").write_text(profile_toml(FERRY_OFFICE))
    sites = read_sites(tmp_path)
    assert morning_list(leak.store, sites, NOW, jobs=1) == morning_list(leak.store, sites, NOW, jobs=2)


def test_the_command_writes_the_list(leak: Played, tmp_path: Path) -> None:
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "ferry.toml").write_text(profile_toml(FERRY_OFFICE))
    words = ["watch", "--store", leak.store, "--sites", str(tmp_path / "sites"), "--report", "--jobs", "1"]
    page = tmp_path / "morning.html"
    done = CliRunner().invoke(main, [*words, "--output", str(page)])
    assert done.exit_code == 0, done.output
    assert "not heard" in page.read_text()  # the records are of March
    told = json.loads(CliRunner().invoke(main, [*words, "--format", "json", "--quiet"]).stdout)
    assert told["counts"]["sites"] == 1


def test_a_broken_profile_keeps_its_place_and_its_client(tmp_path: Path) -> None:
    (tmp_path / "ferries").mkdir()
    (tmp_path / "ferries" / "point.toml").write_text("[site]\nnam = 1\n")
    (tmp_path / "alone.toml").write_text("[site]\nnam = 1\n")
    found = [(one.place, one.client) for one in read_sites(tmp_path) if one.profile is None]
    assert found == [("alone", "alone"), ("ferries/point", "ferries")]


def report(store: object, sites: Path, *more: str) -> Result:
    words = ["watch", "--store", str(store), "--sites", str(sites), "--report", "--jobs", "1", "--quiet"]
    return CliRunner().invoke(main, [*words, *more])


@pytest.fixture
def one_site(tmp_path: Path) -> Path:
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "ferry.toml").write_text(profile_toml(FERRY_OFFICE))
    return tmp_path / "sites"


@pytest.mark.parametrize("exists", [True, False])
def test_a_folder_that_is_no_store_is_one_error(one_site: Path, tmp_path: Path, exists: bool) -> None:
    if exists:
        (tmp_path / "flows").mkdir()
    done = report(tmp_path / "flows", one_site)
    assert (done.exit_code, done.stdout) == (1, "")
    assert done.stderr.startswith(f"flowdiag: {tmp_path / 'flows'}")
    assert done.stderr.count("\n") == 1


def test_a_damaged_memory_of_the_watch_leaves_acknowledgements_out(
    leak: Played, one_site: Path, tmp_path: Path
) -> None:
    store = tmp_path / "flows"
    shutil.copytree(leak.store, store)
    ledger = open_ledger(store)
    assert ledger.write(SILENCED, b"damaged", 0)
    ledger.close()
    done = report(store, one_site)
    assert done.exit_code == 0
    assert "not heard" in done.stdout
    assert "acknowledgements are left out" in done.stderr


def test_an_empty_list_does_not_call_sites_well_of_which_nobody_can_tell() -> None:
    unsure = UnsureSite("a", "a", "a", "links", "x")
    doubtful = MorningList(NOW, 2, (), (unsure,), 1, 0)
    for told in (as_text.render(doubtful, on_terminal=False), as_html.render(doubtful)):
        assert wording.NOBODY not in told
        assert "of 1 site nobody can tell" in " ".join(told.split())
    assert wording.NOBODY in as_html.render(MorningList(NOW, 1, (), (), 1, 0))


@pytest.mark.parametrize(
    ("octets", "whole", "began_ms", "said"),
    [
        (3_000_000_000, True, NOW, "The backup carried 3.00 GB in the month so far."),
        (3_000_000_000, False, NOW, "The backup carried at least 3.00 GB in the month so far."),
        (1_000_000_000, True, NOW, "The backup carried at least 2.00 GB in the month so far."),
        (1_000_000_000, True, NOW - 4 * DAY_MS, None),  # most of it was another month's
    ],
)
def test_the_month_so_far_is_never_less_than_its_leak(
    healthy: Played, octets: int, whole: bool, began_ms: int, said: str | None
) -> None:
    from flowdiag.watch.report.site import _carried, _Seen

    begin = NOW - 3 * DAY_MS
    month = MonthUse(1, octets, 50.0, begin, begin, NOW, NOW + DAY_MS, 3, 31, whole, True)
    backup = healthy.profile.link[1].name
    leak = Mark(
        "backup-leak", "warning", "high", backup, None, began_ms, None, False, "", "", octets=2_000_000_000
    )
    seen = _Seen(healthy.profile, NOW, SiteState(), DayState(NOW, NOW), (month,))
    assert next(_carried(seen, leak), None) == said


def not_heard(place: str, since_ms: int) -> ListedSite:
    silent = Reason("not-heard", None, since_ms, False, "high", "Nothing came.", "We hear nothing from you.")
    return ListedSite(place, place, "client", "UTC", (silent,))


def test_where_no_site_is_heard_it_is_the_collector_and_nobody_calls_clients() -> None:
    sites = (not_heard("a", NOW - 2 * HOUR_MS), not_heard("b", NOW - HOUR_MS))
    gone = UnsureSite("c", "c", "c", "no-records", "x")
    silent = MorningList(NOW, 4, sites, (gone,), 0, 1)
    text, page = as_text.render(silent, on_terminal=False), as_html.render(silent)
    for told in (text, page):
        said = " ".join(told.split())
        assert (
            "Nothing has come from any of these 2 sites since Mon 2 Mar 23:30 UTC: look at the collector"
            in said
        )
        assert "We hear nothing" not in told
        assert "Helpdesk" not in told
        assert "Say:" not in told
    told = json.loads(as_json.render(silent))
    assert told["nobody_heard_since"] == "2026-03-02T23:30:00+00:00"
    for site in told["sites"]:
        (one,) = site["reasons"]
        assert (one["client"], [step["who"] for step in one["actions"]]) == ("", ["engineer"])
    assert "We hear nothing" not in as_csv.render(silent)


@pytest.mark.parametrize(
    "heard",
    [
        {"well": 1},
        {"unsure": (UnsureSite("c", "c", "c", "no-keepalives", "x"),)},  # its records are there
        {"listed": (not_heard("a", NOW - HOUR_MS),)},  # of one alone nobody can tell
        {
            "listed": (
                not_heard("a", NOW - HOUR_MS),
                not_heard("b", NOW - HOUR_MS),
                ListedSite("c", "c", "c", "UTC", (Reason("on-backup", None, NOW, False, "high", "x", "y"),)),
            )
        },
    ],
)
def test_where_another_is_heard_the_silence_is_the_site_s(heard: dict[str, Any]) -> None:
    sites = (not_heard("a", NOW - 2 * HOUR_MS), not_heard("b", NOW - HOUR_MS))
    told = replace(MorningList(NOW, 3, sites, (), 0, 0), **heard)
    assert told.nobody_heard_ms is None
    assert "We hear nothing" in as_text.render(told, on_terminal=False)
    assert json.loads(as_json.render(told))["nobody_heard_since"] is None
