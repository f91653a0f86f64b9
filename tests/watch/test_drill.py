"""What a change over to the backup did is told as it was played: gaps, calls that went on, what was carried, and the return."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from msgspec.structs import replace

from flowdiag.cli.main import main
from flowdiag.collector.store.ingest import ingest
from flowdiag.durations import MINUTE_MS, SECOND_MS
from flowdiag.rollup import ROLLER
from flowdiag.scenario import activities as do
from flowdiag.scenario.exporting import Exporting
from flowdiag.scenario.library import FERRY_OFFICE
from flowdiag.scenario.metering import Meter
from flowdiag.scenario.scene import Scene
from flowdiag.scenario.site import profile_toml
from flowdiag.scenario.translating import Translation
from flowdiag.scenario.write import enact, generator, write_export
from flowdiag.text.clock import Clock
from flowdiag.text.wording.watch import drill as wording
from flowdiag.watch.drill import measuring
from flowdiag.watch.drill.drill import CallsOver, Drill
from flowdiag.watch.drill.measuring import drill_of
from flowdiag.watch.drill.rendering import as_object, from_object, render_drill
from flowdiag.watch.event import Event
from flowdiag.watch.ledgers.opening import open_ledger
from flowdiag.watch.part import Part, encoded
from tests.watch.playing import KEEPALIVE, LENGTH_MS, NOW, Played, ago, play

BEGAN, ENDED = ago(60), ago(30)
STEP_MS = SECOND_MS  # of the scene's network


def changed_over(scene: Scene) -> None:
    """Half an hour on the backup, four seconds without a line before it and seven after it."""
    scene.network.fail(0, BEGAN, ENDED, backup=1, gap_ms=4 * SECOND_MS)
    first, last = ((ms - scene.start) // STEP_MS for ms in (ENDED - 7 * SECOND_MS, ENDED))
    scene.network.route[first:last] = -1
    for host in (8, 9):  # so that something comes by the line all along
        do.streaming(scene, scene.hosts[host], scene.start, scene.end, 0.3)


def with_calls(scene: Scene) -> None:
    """Four at the change: two that go on, one that does not, and one that its host begins anew; one that was over before."""
    changed_over(scene)
    do.call(scene, scene.hosts[1], ago(70), ago(20))  # over both changes
    do.call(scene, scene.hosts[2], ago(65), ago(50))
    do.call(scene, scene.hosts[3], ago(70), BEGAN)
    do.call(scene, scene.hosts[4], ago(70), BEGAN)
    do.call(scene, scene.hosts[4], BEGAN + 40 * SECOND_MS, ago(55))
    do.call(scene, scene.hosts[5], ago(70), ago(61))


@pytest.fixture(scope="module")
def calls(tmp_path_factory: pytest.TempPathFactory) -> Played:
    return play(tmp_path_factory.mktemp("calls"), with_calls)


def drill(played: Played, began: int = BEGAN, ended: int | None = ENDED) -> Drill:
    found = drill_of(played.store, played.profile, began, ended)
    assert found is not None
    return found


def test_times_and_gaps_are_those_that_were_played(calls: Played) -> None:
    told = drill(calls)
    assert told.stopped_ms == pytest.approx(BEGAN, abs=STEP_MS)
    assert told.back_ms == pytest.approx(ENDED, abs=STEP_MS)
    assert told.gap_ms == pytest.approx(4 * SECOND_MS, abs=STEP_MS)
    assert told.return_gap_ms == pytest.approx(7 * SECOND_MS, abs=STEP_MS)
    assert (told.backup, told.main, told.confidence) == ("lte", ("fibre",), "high")


def test_calls_that_went_on_are_told_from_those_that_did_not(calls: Played) -> None:
    told = drill(calls)
    assert told.calls == CallsOver(before=4, went_on=2, anew=1)
    assert told.return_calls == CallsOver(before=1, went_on=1, anew=0)


def test_the_test_of_the_backup_before_is_told(calls: Played, tmp_path: Path) -> None:
    told = drill(calls)
    assert told.tested == "answered"
    assert told.tested_ms == pytest.approx(BEGAN, abs=15 * SECOND_MS)

    def unanswered(scene: Scene) -> None:
        changed_over(scene)
        do.keepalive(scene, 1, KEEPALIVE, scene.start, scene.end, answered=False)

    def missing(scene: Scene) -> None:
        changed_over(scene)
        do.keepalive(scene, 1, KEEPALIVE, scene.start, ago(90))

    assert drill(play(tmp_path / "a", unanswered, keepalives=False)).tested == "unanswered"
    assert drill(play(tmp_path / "b", missing, keepalives=False)).tested == "missing"


def test_what_the_backup_carried_and_what_did_not_fit(tmp_path: Path) -> None:
    def full(scene: Scene) -> None:
        changed_over(scene)
        do.upload(scene, scene.hosts[0], BEGAN + 5 * MINUTE_MS, 600, connections=4)  # 16 minutes of 5 Mbit/s
        do.upload(
            scene, scene.hosts[0], ago(90), 900, cap_mbps=8
        )  # on the main line, beyond what the backup has

    told = drill(play(tmp_path, full))
    down, up = told.ways
    assert up.octets == pytest.approx(600e6, rel=0.15)
    assert up.full_minutes == pytest.approx(16, abs=2)
    assert down.full_minutes == 0
    assert told.was_full
    assert 4.5 <= up.peak_mbps <= 5.0
    assert up.before_over_minutes == pytest.approx(15, abs=2)  # 900 MB at 8 Mbit/s
    assert down.before_over_minutes == 0
    assert told.hosts[0].name == "192.168.40.20 (ticket-hall archive)"
    page = render_drill(told, "html")
    assert "upload for 1" in page


def test_a_site_that_is_on_its_backup_still_has_no_return(tmp_path: Path) -> None:
    def still(scene: Scene) -> None:
        scene.network.fail(0, BEGAN, scene.end, backup=1, gap_ms=3000)

    told = drill(play(tmp_path, still), ended=None)
    assert (told.back_ms, told.return_gap_ms, told.return_calls) == (None, None, None)
    assert "not back on its main line" in render_drill(told, "text")


def test_where_there_was_no_change_there_is_no_drill(calls: Played) -> None:
    assert drill_of(calls.store, calls.profile, ago(170), ago(120)) is None


def translated(folder: Path, *, inner: bool) -> Played:
    """The same behind an address translation, whose inside is metered too or not."""
    scene = Scene(FERRY_OFFICE, NOW - LENGTH_MS, NOW, generator(7), hosts=10)
    do.office(scene, scene.start, scene.end, 4)
    do.keepalive(scene, 1, KEEPALIVE, scene.start, scene.end)
    with_calls(scene)
    router = scene.outside("203.0.113.200")
    meter = Meter(flush=False, translation=Translation(router, inner=inner, keep_ports=False))
    export = folder / "export.pcap"
    write_export(enact(scene, meter), export, Exporting(protocol="netflow9", times="uptime"))
    ingest([str(export)], str(folder / "flows"), jobs=1, roller=ROLLER)
    from flowdiag.site.reading import read_profile

    (folder / "site.toml").write_text(profile_toml(replace(FERRY_OFFICE, lan=("192.168.40.0/24",))))
    return Played(str(folder / "flows"), read_profile(folder / "site.toml"))


def test_behind_a_translation_that_is_metered_inside_calls_are_those_of_the_hosts(tmp_path: Path) -> None:
    assert drill(translated(tmp_path, inner=True)).calls == CallsOver(before=4, went_on=2, anew=1)


def test_behind_a_translation_that_hides_hosts_it_is_said_that_calls_are_not_sure(tmp_path: Path) -> None:
    told = drill(translated(tmp_path, inner=False))
    assert told.calls is not None
    assert (told.calls.before, told.calls.went_on) == (4, 2)
    assert told.calls.unsure == "translated"
    assert "This is not sure" in render_drill(told, "text")


def test_a_stay_with_more_flows_than_are_held_is_told_by_sums(
    calls: Played, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = drill(calls)
    monkeypatch.setattr(measuring, "MOST_AT_ONCE", 0)
    monkeypatch.setattr(measuring, "EDGE_MS", 20 * MINUTE_MS)
    told = drill(calls)
    assert (told.gap_ms, told.return_gap_ms, told.calls) == (whole.gap_ms, whole.return_gap_ms, whole.calls)
    assert told.return_calls == whole.return_calls
    for one, other in zip(told.ways, whole.ways, strict=True):
        assert one.octets == pytest.approx(other.octets, rel=0.02)


def test_the_page_says_first_in_plain_words_what_happened(calls: Played) -> None:
    told = drill(calls)
    page = render_drill(told, "html")
    assert "<script" not in page
    assert (
        "4 calls were going on; 2 went on, 2 did not. 1 new one of the same devices began within two minutes."
        in page
    )
    assert "measured from flow records" in page.lower()
    assert "certificate" not in page.lower()
    assert page.index("In short") < page.index("In figures") < page.index("What this page does not say")
    text = render_drill(told, "text")
    assert "Gap at the change: " in text
    assert json.loads(render_drill(told, "json"))["schema"] == "flowdiag.drill/1"


def test_an_event_carries_a_drill_and_gives_it_back(calls: Played) -> None:
    told = drill(calls)
    assert from_object(json.loads(json.dumps(as_object(told)))) == told


def test_names_from_the_profile_are_no_markup(calls: Played) -> None:
    hostile = replace(drill(calls), site="<b>x</b>\u202e", backup="<i>lte</i>")
    page = render_drill(hostile, "html")
    assert "<b>" not in page
    assert "<i>" not in page
    assert "\u202e" not in page + render_drill(hostile, "text")


def test_the_command_writes_the_drill_of_an_incident(calls: Played, tmp_path: Path) -> None:
    (tmp_path / "ferry.toml").write_text(profile_toml(FERRY_OFFICE))
    told = Event(
        key="a" * 16, number=2, incident="a" * 16, site="x", place="ferry", timezone="UTC", code="on-backup",
        severity="critical", confidence="high", link="lte", direction=None, state="ended", began_ms=BEGAN, ended_ms=ENDED,
        told_ms=NOW, client="", summary="",
    )  # fmt: skip
    other = replace(told, key="b" * 16, code="link-full")
    assert open_ledger(calls.store).write("part-03", encoded(Part(events=(told, other))), 0)
    words = ["watch", "--store", calls.store, "--sites", str(tmp_path), "--drill"]
    page = tmp_path / "drill.html"
    done = CliRunner().invoke(main, [*words, "a" * 16, "--output", str(page)])
    assert done.exit_code == 0, done.output
    assert "4 calls were going on" in page.read_text()
    for key in ("b" * 16, "c" * 16):
        refused = CliRunner().invoke(main, [*words, key])
        assert refused.exit_code == 2
        assert "no stay on a backup" in refused.output


@pytest.mark.parametrize(
    ("main_names", "backup", "said"),
    [
        (
            ("fibre",),
            "LTE",
            'your main line ("fibre") stopped at 00:00:00 UTC. Your backup line ("LTE") took over',
        ),
        (("main line",), "backup", "your main line stopped at 00:00:00 UTC. Your backup line took over"),
        (("a", "Main-line"), "x", 'your main lines ("a" and "Main-line") stopped'),
    ],
)
def test_lines_read_well_whatever_their_names(main_names: tuple[str, ...], backup: str, said: str) -> None:
    assert said in wording.change(Clock("UTC"), main_names, backup, 0, 5000, 5000)
