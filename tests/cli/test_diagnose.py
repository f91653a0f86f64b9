"""`flowdiag diagnose` from the command line, on the invented site of the demo."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from flowdiag.cli.demo import CAPTURE, IPFIX_FILE, PROFILE
from flowdiag.cli.main import main
from flowdiag.note.chart import DOTS_PER_INCH, HEAD_INCHES, ROW_INCHES

WINDOW = ("--from", "14:10", "--to", "14:50")


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["diagnose", *map(str, arguments)])


def note_of(*arguments: str | Path) -> dict[str, object]:
    result = run(*arguments, "--format", "json")
    assert (result.exit_code, result.stderr) == (0, "")
    content = json.loads(result.stdout)
    assert isinstance(content, dict)
    return content


def test_the_demo_has_a_full_upload(demo: Path) -> None:
    """A backup of one machine fills the 20 Mbit/s upload from a quarter past two."""
    note = note_of(
        demo / CAPTURE, "--site", demo / PROFILE, *WINDOW, "--ticket", "T-1", "--reported", "calls freeze"
    )
    assert (note["ticket"], note["reported"]) == ("T-1", "calls freeze")
    assert note["verdict"]["code"] == "link-full"  # type: ignore[index]
    assert note["window"] == {"from": "2026-03-03T14:10:00+13:00", "to": "2026-03-03T14:50:00+13:00"}


def test_both_exports_of_the_same_traffic_get_the_same_verdict(demo: Path) -> None:
    notes = [note_of(demo / name, "--site", demo / PROFILE, *WINDOW) for name in (CAPTURE, IPFIX_FILE)]
    assert notes[0]["verdict"]["code"] == notes[1]["verdict"]["code"]  # type: ignore[index]


def test_the_same_input_gives_the_same_note(demo: Path) -> None:
    """In a process of its own, where hashes of octets differ."""
    command = [
        sys.executable,
        "-c",
        "from flowdiag.cli.main import main; main()",
        "diagnose",
        str(demo / CAPTURE),
    ]
    command += ["--site", str(demo / PROFILE), *WINDOW]
    first = subprocess.run(command, capture_output=True, check=True).stdout
    assert first == run(demo / CAPTURE, "--site", demo / PROFILE, *WINDOW).stdout_bytes


def test_no_profile_but_a_plan(demo: Path) -> None:
    note = note_of(
        demo / CAPTURE, "--down", "100", "--up", "20", "--interface", "2", "--lan", "192.168.40.0/24",
        "--timezone", "Pacific/Auckland", *WINDOW,
    )  # fmt: skip
    assert note["verdict"]["code"] == "link-full"  # type: ignore[index]
    assert note["window"]["from"] == "2026-03-03T14:10:00+13:00"  # type: ignore[index]


@pytest.mark.parametrize("form", ["text", "markdown", "html", "json"])
def test_formats_by_option_and_by_suffix(demo: Path, tmp_path: Path, form: str) -> None:
    suffix = {"text": ".txt", "markdown": ".md", "html": ".html", "json": ".json"}[form]
    file = tmp_path / f"note{suffix}"
    arguments = (demo / CAPTURE, "--site", demo / PROFILE)
    assert run(*arguments, "--output", file).stdout == ""
    assert run(*arguments, "--format", form).stdout == file.read_text(encoding="utf-8")


@pytest.mark.parametrize("form", ["text", "markdown", "html"])
def test_the_short_form_has_the_answer_and_less_of_the_rest(demo: Path, form: str) -> None:
    arguments = (
        demo / CAPTURE,
        "--site",
        demo / PROFILE,
        *WINDOW,
        "--reported",
        "calls freeze",
        "--format",
        form,
    )
    short, whole = run(*arguments, "--brief"), run(*arguments)
    assert (short.exit_code, short.stderr) == (0, "")
    assert "link-full, high confidence" in short.stdout
    assert len(short.stdout) < 0.6 * len(whole.stdout)
    again = whole.stdout.split("For the engineer" if form != "text" else "FOR THE ENGINEER")[0]
    if form != "html":
        assert short.stdout.startswith(again)  # the client's part is the same


def test_a_program_that_reads_json_misses_nothing_of_a_short_form(demo: Path) -> None:
    arguments = (demo / CAPTURE, "--site", demo / PROFILE, *WINDOW)
    assert note_of(*arguments, "--brief") == note_of(*arguments)


def test_the_short_form_has_one_picture_in_the_png_too(demo: Path, tmp_path: Path) -> None:
    heights = []
    for number, more in enumerate(((), ("--brief",))):
        file = tmp_path / f"{number}.png"
        assert run(demo / CAPTURE, "--site", demo / PROFILE, *WINDOW, *more, "--chart", file).exit_code == 0
        heights.append(int.from_bytes(file.read_bytes()[20:24], "big"))  # height in IHDR (RFC 2083, 4.1.1)
    whole, short = heights  # four charts and who used the link, or one chart
    assert short == int((HEAD_INCHES + ROW_INCHES) * DOTS_PER_INCH)
    assert whole == int((HEAD_INCHES + 5 * ROW_INCHES) * DOTS_PER_INCH)


@pytest.mark.parametrize(("least", "code"), [("info", 3), ("warning", 3), ("critical", 3)])
def test_fail_on_a_severe_finding(demo: Path, least: str, code: int) -> None:
    result = run(demo / CAPTURE, "--site", demo / PROFILE, *WINDOW, "--fail-on", least)
    assert (result.exit_code, result.stderr) == (code, "")
    assert result.stdout


def test_fail_on_passes_where_nothing_is_severe(demo: Path) -> None:
    arguments = ("--down", "10000", "--up", "10000", "--interface", "2", "--from", "2026-03-03T00:00:00Z",
                 "--to", "2026-03-03T00:30:00Z")  # fmt: skip
    assert run(demo / CAPTURE, *arguments, "--fail-on", "critical").exit_code == 0


def test_one_link_and_direction(demo: Path) -> None:
    note = note_of(demo / CAPTURE, "--site", demo / PROFILE, *WINDOW, "--link", "FIBRE", "--direction", "up")
    assert [link["name"] for link in note["links"]] == ["fibre"]  # type: ignore[attr-defined,index]
    assert all(f["link"] in (None, "fibre") for f in note["findings"])  # type: ignore[attr-defined]
    assert any('link "fibre" up only' in caution for caution in note["cautions"])  # type: ignore[attr-defined]


def test_a_chart_stands_beside_the_note(demo: Path, tmp_path: Path) -> None:
    file = tmp_path / "rate.png"
    result = run(demo / CAPTURE, "--site", demo / PROFILE, *WINDOW, "--chart", file)
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout
    assert file.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")  # PNG specification (RFC 2083), 3.1


def test_a_chart_that_cannot_be_written_is_one_line(demo: Path, tmp_path: Path) -> None:
    result = run(demo / CAPTURE, "--site", demo / PROFILE, "--chart", tmp_path / "none" / "rate.png")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "rate.png: cannot be written: No such file or directory" in result.stderr


def test_one_link_and_direction_have_their_chart_alone(demo: Path) -> None:
    arguments = (demo / CAPTURE, "--site", demo / PROFILE, *WINDOW)
    whole = run(*arguments).stdout
    part = run(*arguments, "--link", "fibre", "--direction", "up").stdout
    assert "  fibre, upload: 100% is 20" in part
    assert "  fibre, download: 100% is 100 Mbit/s" in whole
    assert "  fibre, download: 100% is" not in part
    assert "  lte, upload: 100% is" not in part


def test_pseudonyms_hide_the_addresses_inside(
    demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FLOWDIAG_KEY_FILE", str(tmp_path / "key"))
    for form in ("text", "markdown", "html", "json"):
        arguments = (demo / CAPTURE, "--site", demo / PROFILE, *WINDOW, "--format", form)
        assert "192.168.40." in run(*arguments).stdout
        hidden = run(*arguments, "--pseudonyms")
        assert (hidden.exit_code, hidden.stderr) == (0, "")
        assert "192.168.40." not in hidden.stdout


def test_a_window_outside_the_export_cannot_be_told(demo: Path) -> None:
    for window in (
        ("--from", "2026-03-05T10:00", "--to", "2026-03-05T11:00"),
        ("--from", "2026-03-05T10:00"),
        ("--to", "2026-02-05T10:00"),
    ):
        note = note_of(demo / CAPTURE, "--site", demo / PROFILE, *window)
        assert note["verdict"]["code"] == "cannot-tell"  # type: ignore[index]


def test_without_a_profile_it_says_how_to_get_one(demo: Path) -> None:
    result = run(demo / CAPTURE)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr == (
        "flowdiag: what the site bought is not known; expected --site SITE.toml, or --down MBPS --up MBPS "
        '--interface N; "flowdiag draft EXPORT > site.toml" proposes a profile\n'
    )


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--down", "5", "--site", "x.toml"), "--down would contradict --site"),
        (("--down", "100", "--up", "20"), "what the site bought is not known"),
        (("--down", "0", "--up", "20", "--interface", "2"), "Invalid value for '--down'"),
        (("--down", "nan", "--up", "20", "--interface", "2"), "--down: nan is not allowed"),
        (("--down", "9", "--up", "9", "--interface", "-1"), "--interface: -1 is not allowed"),
        (("--down", "9", "--up", "9", "--interface", "2", "--output", "note.pdf"), "the suffix .pdf"),
        (("--down", "9", "--up", "9", "--interface", "2", "--from", "noon"), "--from: 'noon' is not a time"),
        (("--down", "9", "--up", "9", "--interface", "2", "--link", "lte"), "the profile has no link 'lte'"),
        (("--fail-on", "panic"), "Invalid value for '--fail-on'"),
    ],
)
def test_wrong_usage_is_told_and_exits_2(demo: Path, arguments: tuple[str, ...], says: str) -> None:
    result = run(demo / CAPTURE, *arguments)
    assert (result.exit_code, result.stdout) == (2, "")
    assert says in result.stderr


def test_inputs_that_cannot_be_used_exit_1_with_one_line(demo: Path, tmp_path: Path) -> None:
    plan = ("--down", "9", "--up", "9", "--interface", "2")
    text, empty = tmp_path / "letter.txt", tmp_path / "empty"
    text.write_text("Dear support\n" * 50)
    empty.touch()
    for arguments in (
        (tmp_path / "none", *plan),
        (text, *plan),
        (empty, *plan),
        (demo / CAPTURE, "--site", tmp_path / "none.toml"),
        (demo / CAPTURE, "--site", text),
    ):
        result = run(*arguments)
        assert (result.exit_code, result.stdout) == (1, ""), arguments
        assert result.stderr.count("\n") == 1, result.stderr
        assert result.stderr.startswith(f"flowdiag: {tmp_path}")


def test_every_mistake_of_a_profile_is_a_line(demo: Path, tmp_path: Path) -> None:
    profile = tmp_path / "site.toml"
    profile.write_text(
        '[site]\nname = "x"\ntimezone = "Mars"\n[[link]]\nname = "y"\ninterfaces = [2]\ndown_mbps = 0\nup_mbps = -1\n'
    )
    result = run(demo / CAPTURE, "--site", profile)
    assert result.exit_code == 1
    assert [line.split(": ")[:2] for line in result.stderr.splitlines()] == [["flowdiag", str(profile)]] * 3
