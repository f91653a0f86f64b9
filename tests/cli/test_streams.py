"""What is behind the first file of a stream counts too, and what stands twice in an export counts by what it is."""

from __future__ import annotations

import gzip
import json
import struct
from pathlib import Path

import zstandard
from click.testing import CliRunner, Result

from flowdiag.cli.demo import CAPTURE, IPFIX_FILE, PROFILE
from flowdiag.cli.main import main
from tests.collector.decode.wire import EXPORT_S, a_set, flow, ipfix, v4_octets, with_template
from tests.collector.readers.builders import frame, pcap

SITE = ["--down", "100", "--up", "40", "--lan", "10.0.0.0/8"]


def halves(capture: bytes) -> tuple[bytes, bytes]:
    """A little-endian capture as two, the second half of its packets under a header of its own."""
    place = 24
    while place < len(capture) // 2:
        place += 16 + struct.unpack_from("<I", capture, place + 8)[0]
    return capture[:place], capture[:24] + capture[place:]


def run(*words: str | Path, octets: bytes | None = None) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], input=octets)


def test_a_note_from_captures_behind_each_other_is_that_of_the_whole(demo: Path) -> None:
    whole = (demo / CAPTURE).read_bytes()
    first, second = halves(whole)
    words = ("diagnose", "-", "--site", demo / PROFILE, "--format", "json")
    expected = run(*words, octets=whole)
    assert expected.exit_code == 0
    compress = zstandard.ZstdCompressor().compress
    for octets in (
        first + second,
        compress(first) + compress(second),
        gzip.compress(first) + compress(second),
        first + gzip.compress(second),
        gzip.compress(first) + second,
    ):
        assert run(*words, octets=octets).stdout == expected.stdout


def test_draft_and_inspect_read_them_all_too(demo: Path) -> None:
    first, second = halves((demo / CAPTURE).read_bytes())
    assert run("draft", "-", octets=first + second).stdout == run("draft", demo / CAPTURE).stdout
    both = json.loads(run("inspect", "-", "--format", "json", octets=first + second).stdout)
    assert both == json.loads(run("inspect", demo / CAPTURE, "--format", "json").stdout)


def test_files_of_different_kinds_add_up(demo: Path) -> None:
    capture, messages = (demo / CAPTURE).read_bytes(), (demo / IPFIX_FILE).read_bytes()
    records = [
        json.loads(run("inspect", "-", "--format", "json", octets=octets).stdout)["records"]
        for octets in (capture, messages, capture + messages, messages + capture)
    ]
    assert records[2] == records[3] == records[0] + records[1]


def test_what_is_behind_and_cannot_be_read_ends_with_one_line(demo: Path) -> None:
    capture = (demo / CAPTURE).read_bytes()
    result = run("diagnose", "-", "--site", demo / PROFILE, octets=capture + pcap([], link_type=147))
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.startswith(
        f"flowdiag: standard input at octet {len(capture) + 20}: captured on a link"
    )
    assert result.stderr.count("\n") == 1


def packet(number: int) -> bytes:
    """A record of wire.FLOW_FIELDS of one packet of 200 octets, all at one moment."""
    addresses = v4_octets(f"10.0.0.{number}") + v4_octets("198.51.100.1")
    return addresses + struct.pack("!HHBIIQQ", 5000, 53, 17, 200, 1, *[EXPORT_S * 1000 - 1000] * 2)


def octets_up(tmp_path: Path, *messages: bytes) -> int:
    file = tmp_path / "export.pcap"
    file.write_bytes(pcap([frame(message) for message in messages]))
    result = run("top", "talkers", file, "--format", "json")
    assert result.exit_code == 0, result.output
    octets: int = json.loads(result.stdout)["total"]["octets"]
    return octets


def test_packets_that_are_reported_one_by_one_all_count(tmp_path: Path) -> None:
    message = ipfix(with_template(), a_set(256, *[packet(1)] * 4, packet(2), packet(1)), sequence=0)
    assert octets_up(tmp_path, message) == 6 * 200


def test_a_message_that_was_captured_twice_counts_once(tmp_path: Path) -> None:
    messages = [
        ipfix(with_template(), a_set(256, *[packet(1)] * 3), sequence=0),
        ipfix(a_set(256, *[packet(2)] * 3, flow(9, end_ms=EXPORT_S * 1000)), sequence=3),
    ]
    once = octets_up(tmp_path, *messages)
    assert once == 6 * 200 + 900
    assert octets_up(tmp_path, *[copy for message in messages for copy in (message, message)]) == once
