"""`flowdiag top` from the command line, on the demo's export and on that of a real switch."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from mmdb_writer import MMDBWriter
from netaddr import IPSet

from flowdiag.addresses import to_bytes
from flowdiag.cli.demo import CAPTURE, PROFILE
from flowdiag.cli.main import main
from flowdiag.forms import top as top_forms
from tests.cli.switch import IPFIX, WAN_COUNTERS, write_profile

HOST, BACKUP = "192.168.40.20", "203.0.113.9"


def top(demo: Path, kind: str, *options: str) -> Result:
    arguments = ["top", kind, str(demo / CAPTURE), "--site", str(demo / PROFILE), *options]
    return CliRunner().invoke(main, arguments)


def as_json(demo: Path, kind: str, *options: str) -> dict[str, Any]:
    result = top(demo, kind, "--format", "json", *options)
    assert (result.exit_code, result.stderr) == (0, "")
    content: dict[str, Any] = json.loads(result.stdout)
    assert (content["schema"], content["kind"]) == ("flowdiag.top/1", kind)
    return content


@pytest.mark.parametrize("kind", ["talkers", "applications", "destinations", "conversations"])
def test_shares_and_the_rest_make_the_whole(demo: Path, kind: str) -> None:
    found = as_json(demo, kind, "-n", "5", "--window", "30m")
    for ranking in (found, *found["windows"]):
        rows = ranking["rows"]
        # Each is rounded to whole octets by itself.
        added = sum(row["octets"] for row in rows) + ranking["rest"]["octets"]
        assert abs(added - ranking["total"]["octets"]) <= len(rows)
        assert sum(row["share"] for row in rows) + ranking["rest"]["share"] == pytest.approx(1, abs=1e-5)
        assert [row["octets"] for row in rows] == sorted((row["octets"] for row in rows), reverse=True)
    assert len(found["rows"]) == 5


def test_a_row_has_all_that_the_table_promises(demo: Path) -> None:
    row = as_json(demo, "conversations", "--link", "fibre", "--direction", "up", "-n", "1")["rows"][0]
    assert row["key"] == {"inside": HOST, "outside": BACKUP, "application": "https"}
    assert row["label"] == "off-site backup"
    assert 0 < row["mean_mbps"] < row["peak_mbps"] <= 20.2
    assert row["first"] < row["last"] <= "2026-03-03T14:54"
    assert min(row["octets"], row["packets"], row["flows"]) > 0
    assert row["bound_octets"] == 0


def test_what_changed_at_a_quarter_past_two_stands_in_the_windows(demo: Path) -> None:
    found = as_json(
        demo, "talkers", "--from", "14:00", "--to", "14:30", "--window", "15m", "--direction", "up"
    )
    before, after = found["windows"]
    assert (before["window"]["to"], after["window"]["from"]) == ("2026-03-03T14:15:00+13:00",) * 2
    assert before["rows"][0]["key"] != HOST
    assert after["rows"][0]["key"] == HOST
    assert after["rows"][0]["share"] > 0.9


def test_csv_has_the_rest_as_a_row_of_each_window(demo: Path) -> None:
    result = top(demo, "destinations", "--window", "1h", "-n", "2", "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    counts = Counter(row["from"] for row in rows)
    assert set(counts.values()) == {3}
    assert [row["bound_octets"] for row in rows[:3]] == ["0", "0", ""]
    assert [row["key"] for row in rows[2::3]] == ["everything else"] * len(counts)
    for begin in range(0, len(rows), 3):
        assert sum(float(row["share"]) for row in rows[begin : begin + 3]) == pytest.approx(1, abs=1e-5)


@pytest.mark.parametrize("kind", ["talkers", "applications", "destinations", "conversations"])
def test_text_fits_80_columns(demo: Path, kind: str) -> None:
    text = top(demo, kind, "--link", "fibre", "--direction", "down").stdout
    assert max(map(len, text.splitlines())) <= 80
    assert "link fibre, down only" in text
    assert "everything else" in text
    assert "- The exporter reports long flows every 60 s" in text


def test_pseudonyms_hide_the_inside_and_nothing_else(
    demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FLOWDIAG_KEY_FILE", str(tmp_path / "key"))
    for form in ("text", "json", "csv"):
        for kind in ("talkers", "conversations", "destinations"):
            text = top(demo, kind, "--pseudonyms", "--format", form, "-n", "0").stdout
            assert "192.168.40." not in text
            assert "2001:db8:40:" not in text
            assert ("inside-" in text) == (kind != "destinations")
            assert (BACKUP in text) == (kind != "talkers")
    note = CliRunner().invoke(
        main,
        ["diagnose", str(demo / CAPTURE), "--site", str(demo / PROFILE), "--pseudonyms", "--format", "json"],
    )
    first = as_json(demo, "talkers", "--pseudonyms", "-n", "1")["rows"][0]
    assert first["key"] == json.loads(note.stdout)["talkers"][0]["address"]
    assert "pseudonyms" in as_json(demo, "talkers", "--pseudonyms")["notes"][-1]


def test_local_traffic_has_no_inside_address_in_the_open_either(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FLOWDIAG_KEY_FILE", str(tmp_path / "key"))
    result = CliRunner().invoke(main, ["top", "conversations", str(IPFIX), "--pseudonyms", "-n", "0"])
    assert result.exit_code == 0
    assert "192.168." not in result.stdout


def test_databases_name_owner_and_country(demo: Path, tmp_path: Path) -> None:
    writer = MMDBWriter(ip_version=6, ipv4_compatible=True)
    hostile = '=HYPERLINK("http://203.0.113.1")\x1b[31m'
    writer.insert_network(IPSet([f"{BACKUP}/32"]), {"as_name": hostile, "country": {"iso_code": "NZ"}})
    writer.to_db_file(str(tmp_path / "networks.mmdb"))
    options = ("--network-db", str(tmp_path / "networks.mmdb"), "-n", "1")
    row = as_json(demo, "destinations", *options)["rows"][0]
    assert (row["key"], row["country"], row["network"]) == (BACKUP, "NZ", hostile)
    text = top(demo, "destinations", *options).stdout
    assert "NZ" in text
    assert "\x1b" not in text
    line = next(csv.DictReader(io.StringIO(top(demo, "destinations", *options, "--format", "csv").stdout)))
    assert line["country"] == "NZ"
    assert not line["network"].startswith("=")
    assert "network" not in as_json(demo, "talkers", *options)["rows"][0]


def test_a_file_that_is_no_database_is_one_line(demo: Path) -> None:
    result = top(demo, "destinations", "--network-db", str(demo / PROFILE))
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert "MaxMind DB" in result.stderr


def test_names_are_asked_for_only_when_wanted_and_of_outside_addresses_only(
    demo: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[bytes] = []

    def resolve(addresses: list[bytes]) -> dict[bytes, str]:
        asked.extend(addresses)
        return {to_bytes(BACKUP): "backup.example"}

    monkeypatch.setattr(top_forms, "resolve_names", resolve)
    assert "name" not in as_json(demo, "destinations")["rows"][0]
    as_json(demo, "talkers", "--resolve")
    assert asked == []
    rows = as_json(demo, "destinations", "--resolve", "-n", "3")["rows"]
    assert [row["name"] for row in rows] == ["backup.example", None, None]
    assert asked == [to_bytes(row["key"]) for row in rows]
    assert "backup.example" in top(demo, "conversations", "--resolve", "-n", "1").stdout


def test_a_time_beyond_the_export_says_what_there_is(demo: Path) -> None:
    found = as_json(demo, "talkers", "--from", "2019-01-01", "--to", "2019-01-02")
    assert (found["rows"], found["total"]["octets"]) == ([], 0)
    assert found["notes"][0].startswith(
        "No flow lies in this time; the export covers 2026-03-03T12:59:59+13:00"
    )


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--link", "dsl"), 'the profile has no link \'dsl\'; expected "fibre" or "lte"'),
        (("--by", "bytes"), "--by"),
        (("--window", "1s", "-n", "1"), "--window would give more than"),
        (("--format", "html"), "--format"),
    ],
)
def test_wrong_options_are_one_line(demo: Path, options: tuple[str, ...], says: str) -> None:
    span = ("--from", "2026-03-03", "--to", "2026-03-04") if "1s" in options else ()
    result = top(demo, "talkers", *options, *span)
    assert (result.exit_code, result.stdout) == (2, "")
    assert says in result.stderr


def test_a_link_needs_the_profile(demo: Path) -> None:
    result = CliRunner().invoke(main, ["top", "talkers", str(demo / CAPTURE), "--link", "fibre"])
    assert result.exit_code == 2
    assert "--link needs --site" in result.stderr


def test_talkers_of_a_real_switch_have_what_its_port_counted(tmp_path: Path) -> None:
    profile = write_profile(tmp_path)
    for direction, counted in zip(("down", "up"), WAN_COUNTERS, strict=True):
        arguments = [
            "top",
            "talkers",
            str(IPFIX),
            "--site",
            str(profile),
            "--direction",
            direction,
            "--format",
            "json",
        ]
        total = json.loads(CliRunner().invoke(main, arguments).stdout)["total"]
        assert total["packets"] == counted.packets - counted.arp_packets
        assert total["octets"] == counted.octets - 14 * total["packets"] - counted.arp_octets


def test_conversations_of_a_real_switch_are_those_of_the_captures_on_its_ports(tmp_path: Path) -> None:
    truth = json.loads(IPFIX.with_name("virtual-switch.truth.json").read_text())
    wanted: Counter[tuple[str, str]] = Counter()
    for source, destination, *_, octets, _ in truth["flows"]:
        inside, outside = sorted(
            (source, destination), key=lambda a: not a.startswith(("192.168.1.", "2001:db8:1:"))
        )
        wanted[inside, outside] += octets
    arguments = [
        "top",
        "conversations",
        str(IPFIX),
        "--site",
        str(write_profile(tmp_path)),
        "-n",
        "0",
        "--format",
        "json",
    ]
    found: Counter[tuple[str, str]] = Counter()
    for row in json.loads(CliRunner().invoke(main, arguments).stdout)["rows"]:
        found[row["key"]["inside"], row["key"]["outside"]] += row["octets"]
    assert found == wanted
