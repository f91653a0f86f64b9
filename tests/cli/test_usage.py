"""`flowdiag usage` from the command line, on the demo's export and on that of a real switch."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from flowdiag.cli.demo import CAPTURE, PROFILE
from flowdiag.cli.main import main
from tests.cli.switch import IPFIX, WAN_COUNTERS, write_profile


def usage(demo: Path, *options: str) -> Result:
    arguments = ["usage", str(demo / CAPTURE), "--site", str(demo / PROFILE), *options]
    return CliRunner().invoke(main, arguments)


def links(demo: Path, *options: str) -> list[dict[str, Any]]:
    result = usage(demo, "--format", "json", *options)
    assert (result.exit_code, result.stderr) == (0, "")
    content = json.loads(result.stdout)
    assert content["schema"] == "flowdiag.usage/1"
    found: list[dict[str, Any]] = content["links"]
    return found


def test_json_has_a_series_for_each_link_and_direction(demo: Path) -> None:
    found = links(demo)
    assert [(link["name"], link["direction"], link["capacity_mbps"]) for link in found] == [
        ("fibre", "down", 100),
        ("fibre", "up", 20),
        ("lte", "down", 30),
        ("lte", "up", 5),
    ]
    up = found[1]
    assert up["full_minutes"] == sum(window["state"] == "full" for window in up["series"])
    assert up["busy_minutes"] == sum(window["state"] in ("busy", "full") for window in up["series"])
    assert up["peak_mbps"] == max(window["mbps"] for window in up["series"])
    assert all(window["lower_mbps"] <= window["mbps"] <= window["upper_mbps"] for window in up["series"])


def test_windows_add_up_whatever_their_length(demo: Path) -> None:
    span = ("--from", "14:14:30", "--to", "14:54:50")
    totals = []
    for length in ("10s", "60s", "7m", "1h"):
        series = links(demo, *span, "--window", length)[1]["series"]
        assert series[0]["start"] == "2026-03-03T14:14:30+13:00"
        assert sum(window["seconds"] for window in series) == 40 * 60 + 20
        totals.append(sum(window["mbps"] * window["seconds"] for window in series))
    assert totals == pytest.approx([totals[0]] * 4, rel=1e-6)


def test_csv_has_a_line_for_each_window(demo: Path, tmp_path: Path) -> None:
    file = tmp_path / "usage.csv"
    result = usage(demo, "--link", "fibre", "--direction", "up", "--output", str(file))
    assert (result.exit_code, result.stdout) == (0, "")
    rows = list(csv.DictReader(io.StringIO(file.read_text(encoding="utf-8"))))
    assert len(rows) == 151
    assert list(rows[0]) == [
        "link", "direction", "start", "seconds", "capacity_mbps", "mbps", "lower_mbps", "upper_mbps", "state",
    ]  # fmt: skip
    assert {row["state"] for row in rows} == {"ok", "busy", "full"}


def test_text_fits_80_columns_and_shows_the_chart(demo: Path) -> None:
    text = usage(demo).stdout
    assert max(map(len, text.splitlines())) <= 80
    assert "fibre up, Mbit/s of 20" in text
    assert "█" in text
    assert "highest 14:" in text
    assert "by the flows' times" in text
    assert "by service class: Standard (DF) 100.0%" in text


def test_a_time_beyond_the_export_is_a_gap(demo: Path) -> None:
    result = usage(demo, "--from", "2026-03-05", "--to", "2026-03-06", "--window", "1h", "--link", "lte")
    assert "????" in result.stdout
    assert "the exporter was silent: not known, not zero" in result.stdout
    assert "No flow lies in this time" in result.stdout
    span = ("--from", "2026-03-05", "--to", "2026-03-06", "--window", "1h")
    assert {(w["mbps"], w["state"]) for w in links(demo, *span)[0]["series"]} == {(None, "unknown")}


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--link", "dsl"), 'the profile has no link \'dsl\'; expected "fibre" or "lte"'),
        (("--window", "0s"), "is not a length of time"),
        (("--format", "html"), "--format"),
        (("--from", "15:00", "--to", "14:00"), "--from"),
    ],
)
def test_wrong_options_are_one_line(demo: Path, options: tuple[str, ...], says: str) -> None:
    result = usage(demo, *options)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert says in result.stderr


def test_totals_are_those_of_a_real_switchs_counters(tmp_path: Path) -> None:
    profile = write_profile(tmp_path)
    arguments = ["usage", str(IPFIX), "--site", str(profile), "--format", "json", "--window", "10s"]
    found = json.loads(CliRunner().invoke(main, arguments).stdout)["links"]
    for link, counted in zip(found, WAN_COUNTERS, strict=True):
        # The counters have 14 octets of Ethernet header a packet and ARP, the export IP octets alone: a profile
        # with framing "ip" differs by just that.
        packets = sum(item["packets"] for item in link["service_classes"])
        assert link["octets"] == counted.octets - 14 * packets - counted.arp_octets
        assert packets == counted.packets - counted.arp_packets
        spread_out = sum(window["mbps"] * window["seconds"] for window in link["series"]) * 1e6 / 8
        assert spread_out == pytest.approx(link["octets"], rel=1e-6)
