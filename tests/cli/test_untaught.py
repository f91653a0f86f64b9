"""Exports that began between two sendings of the templates."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from flowdiag.cli.main import main
from tests.collector.decode.wire import a_set, flow, ipfix, netflow9, with_template
from tests.collector.readers.builders import frame, pcap

SITE = ["--down", "100", "--up", "40", "--lan", "10.0.0.0/8"]


def run(*words: str, octets: bytes | None = None) -> Result:
    return CliRunner().invoke(main, list(words), input=octets)


def export(folder: Path, *messages: bytes) -> str:
    file = folder / "export.pcap"
    file.write_bytes(pcap([frame(message) for message in messages]))
    return str(file)


def data_only(count: int) -> list[bytes]:
    """Messages of two data sets of a flow each, whose template never comes."""
    return [ipfix(a_set(256, flow(1)), a_set(256, flow(2)), sequence=2 * n) for n in range(count)]


@pytest.mark.parametrize("command", [["diagnose", *SITE], ["draft"], ["top", "talkers"]])
def test_an_export_of_data_sets_only_is_one_line_that_says_what_to_do(
    tmp_path: Path, command: list[str]
) -> None:
    result = run(*command, export(tmp_path, *data_only(7)))
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.count("\n") == 1
    # 7 messages of two data sets each
    assert (
        "export.pcap: the export holds no templates: 14 data sets waited for theirs in vain" in result.stderr
    )
    assert "capture until the exporter sends its templates again" in result.stderr
    assert "every 5 to 30 minutes" in result.stderr


def test_netflow_v9_on_standard_input_says_so_too() -> None:
    octets = b"".join(netflow9(a_set(256, flow(1)), sequence=n) for n in range(3))
    result = run("diagnose", "-", *SITE, octets=octets)
    assert result.exit_code == 1
    assert result.stderr.startswith("flowdiag: standard input: the export holds no templates: 3 data sets")


def test_templates_of_options_alone_are_none_of_the_data(tmp_path: Path) -> None:
    messages = [ipfix(a_set(2, b"\x01\x2c\x00\x01\x00\x08\x00\x04")), *data_only(1)]  # template 300, unused
    result = run("draft", export(tmp_path, *messages))
    assert "the export holds none of the templates of its data sets: 2 data sets waited" in result.stderr


def test_inspect_shows_what_there_is_and_says_it(tmp_path: Path) -> None:
    file = export(tmp_path, *data_only(7))
    text, content = run("inspect", file), json.loads(run("inspect", file, "--format", "json").stdout)
    assert text.exit_code == 0
    assert "the export holds no templates: 14 data sets waited" in " ".join(text.stdout.split())
    assert content["notes"][0].startswith(
        "the export holds no templates: 14 data sets waited for theirs in vain"
    )
    assert (content["records"], content["undecoded_sets"], content["sessions"][0]["messages"]) == (0, 14, 7)


def test_where_other_records_can_be_used_the_note_says_how_many_sets_waited(tmp_path: Path) -> None:
    messages = [
        ipfix(with_template(257), a_set(257, flow(1), flow(2))),
        *[ipfix(a_set(256, flow(3)), sequence=2 + n) for n in range(5)],
    ]
    result = run("diagnose", export(tmp_path, *messages), *SITE, "--format", "json")
    assert result.exit_code == 0
    notes = json.loads(result.stdout)["coverage"]["notes"]
    assert (
        len([note for note in notes if note.startswith("5 data sets waited in vain for their template")]) == 1
    )


def test_data_sets_that_are_taught_later_waited_for_something(tmp_path: Path) -> None:
    result = run(
        "inspect", export(tmp_path, *data_only(2), ipfix(with_template(), sequence=4)), "--format", "json"
    )
    content = json.loads(result.stdout)
    assert (content["records"], content["undecoded_sets"], content["notes"]) == (4, 0, [])
