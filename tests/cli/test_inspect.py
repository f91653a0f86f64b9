"""`flowdiag inspect` from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from flowdiag.addresses import V4_PREFIX
from flowdiag.cli.main import main
from flowdiag.collector.report import (
    ExportReport,
    FieldSpec,
    LossEvent,
    Problem,
    SessionReport,
    TemplateReport,
)
from flowdiag.forms.inspect import render
from flowdiag.inspection import Inspection, InterfaceTotals
from tests.collector.readers.builders import frame, pcap
from tests.collector.v5_flows import Flow, packet

EXPORTER = V4_PREFIX + bytes([192, 0, 2, 1])


@pytest.fixture
def capture(tmp_path: Path) -> str:
    file = tmp_path / "capture"
    flows = [Flow(1_234_567, 1_000, ingress=number, egress=number + 1) for number in range(1, 30)]
    file.write_bytes(pcap([frame(packet(flows))]))
    return str(file)


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["inspect", *arguments])


def test_text_shows_the_exporter_its_records_and_interfaces(capture: str) -> None:
    result = run(capture)
    assert result.exit_code == 0
    assert result.stderr == ""
    lines = [line.split() for line in result.stdout.splitlines()]
    assert ["Records", "29"] in lines
    assert ["Octets", "35,802,443"] in lines  # 29 x 1,234,567
    assert ["192.0.2.1", "50000", "0", "NetFlow", "v5", "1", "29", "35,802,443", "0", "none"] in lines
    assert ["192.0.2.1", "2", "1,234,567", "1,234,567"] in lines


def test_piped_text_fits_100_columns_and_is_plain(capture: str) -> None:
    text = run(capture).stdout
    assert max(len(line) for line in text.splitlines()) <= 100
    assert "\x1b" not in text


def test_long_lists_are_cut_and_say_so(capture: str) -> None:
    assert "10 more; -n 0 shows all" in run(capture).stdout  # 30 interfaces, 20 rows
    assert "25 more; -n 0 shows all" in run(capture, "-n", "5").stdout
    assert "more; -n 0" not in run(capture, "-n", "0").stdout


def test_json_is_the_inspection(capture: str) -> None:
    content = json.loads(run(capture, "--format", "json").stdout)
    assert (content["schema"], content["records"]) == ("flowdiag.inspect/1", 29)
    assert len(content["interfaces"]) == 30


def test_the_suffix_of_the_output_picks_the_format(capture: str, tmp_path: Path) -> None:
    for name in ("out.json", "out.txt"):
        result = run(capture, "--output", str(tmp_path / name))
        assert (result.exit_code, result.stdout) == (0, "")
    assert json.loads((tmp_path / "out.json").read_text())["records"] == 29
    assert (tmp_path / "out.txt").read_text().startswith("Records")


def test_an_unusable_input_is_one_line_and_exit_code_1(tmp_path: Path) -> None:
    result = run(str(tmp_path / "none"))
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr == f"flowdiag: {tmp_path / 'none'}: no such file or folder; check the path\n"


def test_a_file_name_cannot_steer_the_terminal(tmp_path: Path) -> None:
    file = tmp_path / "a\x1b[31mb"
    file.write_bytes(b"")
    result = run(str(file))
    assert result.exit_code == 1
    assert "\x1b" not in result.stderr


def test_no_input_and_unknown_formats_are_wrong_usage(capture: str) -> None:
    assert run().exit_code == 2
    assert run(capture, "--format", "html").exit_code == 2
    assert run(capture, "-n", "-1").exit_code == 2


def test_help_has_an_example() -> None:
    assert "flowdiag inspect router.pcap" in run("--help").stdout


def shown(inspection: Inspection, limit: int = 20) -> str:
    return render(inspection, limit, on_terminal=False)


def test_names_from_the_network_can_neither_style_nor_control_the_terminal() -> None:
    hostile = "[bold]x[/bold]\x1b[31m\x07"
    report = ExportReport(
        sessions=[
            SessionReport(
                EXPORTER,
                1,
                0,
                "ipfix",
                templates={256: TemplateReport(256, (FieldSpec(9, 64_512, hostile, 4),), records=1)},
            )
        ],
        problems=[Problem(hostile, 0, "damage")],
    )
    totals = InterfaceTotals(EXPORTER, 1, hostile, hostile, 0, 0)
    text = shown(Inspection(report, None, None, 60, True, (totals,)))
    assert "[bold]" in text
    assert "\x1b" not in text
    assert "\x07" not in text


def test_a_clock_that_is_off_is_named() -> None:
    report = ExportReport(sessions=[SessionReport(EXPORTER, 1, 0, "ipfix", clock_offset_ms=7_500)])
    text = shown(Inspection(report, None, None, 60, True, ()))
    assert "the clock of exporter 192.0.2.1 is 7.5 s behind the capture's clock" in text


def test_an_assumed_resolution_is_said_to_be_assumed() -> None:
    assert "60 s (assumed" in shown(Inspection(ExportReport(), None, None, 60, False, ()))
    assert "assumed" not in shown(Inspection(ExportReport(), None, None, 60, True, ()))


def test_what_people_look_for_comes_first_and_templates_last_and_folded() -> None:
    """A recording of a virtual switch that sends 89 templates, of which few have records."""
    recording = str(Path(__file__).parents[2] / "fixtures" / "virtual-switch.ipfix")
    text = run(recording).stdout
    lines = text.splitlines()
    assert len(lines) < 60
    assert lines[lines.index("Templates (--templates shows their fields)") - 1] == ""
    headings = [line.split(" (")[0] for line in lines if line[:1].isupper() and len(line.split("  ")) == 1]
    assert headings[:2] == ["Exporters and observation domains", "Interfaces"]
    assert headings[-1] == "Templates"
    assert lines.index("Interfaces (octets as exported, by ingress and egress)") < 25
    assert "more; --templates shows all" in lines[-2] + lines[-1]
    assert "sourceIPv4Address" not in text
    records = [int(line.split()[-2]) for line in lines if "   data " in line]
    assert records == sorted(records, reverse=True)
    assert records[0] > 0
    whole = run(recording, "--templates").stdout
    assert "sourceIPv4Address 4" in whole
    assert "more; " not in whole.split("Templates (")[1]


def test_problems_come_before_losses() -> None:
    report = ExportReport(losses=[LossEvent(EXPORTER, 0, 0, 1, 1)], problems=[Problem("a", 0, "damage")])
    text = shown(Inspection(report, None, None, 60, True, ()))
    assert text.index("Problems") < text.index("Losses")


def test_one_of_a_thing_is_called_so() -> None:
    report = ExportReport(
        sessions=[SessionReport(EXPORTER, 1, 0, "ipfix", undecoded_sets=1, undecoded_records=1)]
    )
    text = shown(Inspection(report, None, None, 60, True, ()))
    assert "Undecoded       1 set, 1 record\n" in text
