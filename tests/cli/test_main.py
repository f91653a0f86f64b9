"""The command line as a whole: help, exit codes, and errors in one clear line."""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from flowdiag import __version__
from flowdiag.cli.demo import CAPTURE, PROFILE
from flowdiag.cli.main import COMMANDS, main
from flowdiag.errors import ExportError, ProfileError, UsageError

PYTHON = [sys.executable, "-c", "from flowdiag.cli.main import main; main()"]


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, arguments)


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> Callable[[BaseException], Result]:
    """Runs a command that raises."""

    def run_it(error: BaseException, *arguments: str) -> Result:
        def body() -> None:
            raise error

        command = click.option("--verbose", is_flag=True, expose_value=False)(click.command("explain")(body))
        monkeypatch.setattr("flowdiag.cli.explain.command", command)
        return run("explain", *arguments)

    return run_it


def test_the_version() -> None:
    result = run("--version")
    assert (result.exit_code, result.stdout) == (0, f"flowdiag {__version__}\n")


def test_help_lists_the_commands_with_an_example() -> None:
    text = run("--help").stdout
    for name in ("diagnose", "inspect", "draft", "explain", "demo"):
        assert f"  {name} " in text
    assert "Example:\n    flowdiag demo\n" in text


def test_every_command_has_an_example_in_its_help() -> None:
    context = click.Context(main)
    for name in main.list_commands(context):
        text = run(name, "--help").stdout
        assert f"flowdiag {name}" in text.split("Example:")[1], name


def test_every_command_there_is_stands_in_the_list() -> None:
    context = click.Context(main)
    for name in main.list_commands(context):
        command = main.get_command(context, name)
        assert command is not None
        assert command.name == name
    assert main.get_command(context, "options") is None
    assert set(main.list_commands(context)) <= set(COMMANDS)


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom flowdiag.cli.main import main\nmain(['--help'], standalone_mode=False)\n"
        "print([m for m in ('numpy', 'pyarrow', 'pandas', 'rich', 'pydantic', 'jinja2') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def processor_seconds() -> float:
    """Of all processes that were waited for: what else the machine does counts for little."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def test_help_is_there_in_a_third_of_a_second() -> None:
    taken = []
    for _ in range(3):
        start = processor_seconds()
        subprocess.run([*PYTHON, "--help"], check=True, stdout=subprocess.DEVNULL)
        taken.append(processor_seconds() - start)
    assert min(taken) < 0.35


def test_no_command_shows_the_help() -> None:
    assert run().stdout == run("--help").stdout


def test_an_unknown_command_is_wrong_usage() -> None:
    result = run("diagnos")
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith("flowdiag: No such command 'diagnos'")
    assert 'Try "flowdiag --help".' in result.stderr


def test_a_wrong_option_is_wrong_usage() -> None:
    result = run("explain", "--wrong")
    assert result.exit_code == 2
    assert result.stderr.startswith("flowdiag: No such option")
    assert 'Try "flowdiag explain --help".' in result.stderr


def test_an_unusable_input_is_one_line_and_exit_code_1(failing: Callable[..., Result]) -> None:
    error = ExportError("is empty", file="a.pcap", offset=0, expected="a capture", advice="capture again")
    result = failing(error)
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr == "flowdiag: a.pcap at octet 0: is empty; expected a capture; capture again\n"


def test_several_mistakes_are_a_line_each(failing: Callable[..., Result]) -> None:
    result = failing(ProfileError("one\nsite.toml: two", file="site.toml"))
    assert (result.exit_code, result.stderr) == (1, "flowdiag: site.toml: one\nflowdiag: site.toml: two\n")


def test_wrong_use_is_exit_code_2(failing: Callable[..., Result]) -> None:
    result = failing(UsageError("no such link"))
    assert (result.exit_code, result.stderr) == (2, "flowdiag: no such link\n")


def test_what_a_name_holds_cannot_steer_the_terminal(failing: Callable[..., Result]) -> None:
    result = failing(ExportError("is empty", file="a\x1b[2Jb\r\x07\x9b31m\u202etxt.pcap"))
    assert not [c for c in result.stderr if c in "\x1b\r\x07\x9b\u202e"]


def test_an_interruption_is_exit_code_130(failing: Callable[..., Result]) -> None:
    result = failing(KeyboardInterrupt())
    assert result.exit_code == 130
    assert result.stderr.strip() == "flowdiag: interrupted"


def test_a_fault_of_the_program_asks_for_a_report(failing: Callable[..., Result]) -> None:
    result = failing(ZeroDivisionError("division by zero"))
    assert result.exit_code == 1
    assert result.stderr.startswith(
        "flowdiag: a fault of the program: ZeroDivisionError: division by zero; please"
    )
    assert "Traceback" not in result.stderr
    assert "Traceback" in failing(ZeroDivisionError(), "--verbose").stderr


def test_a_reader_that_has_enough_is_no_error() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w") as pipe:
        done = subprocess.run(
            [*PYTHON, "explain"], stdout=pipe, stderr=subprocess.PIPE, text=True, check=False
        )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.fixture(scope="module")
def site(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo, its export also kept in a store."""
    folder = shutil.copytree(demo, tmp_path_factory.mktemp("site") / "demo")
    kept = ["ingest", str(folder / CAPTURE), "--store", str(folder / "store")]
    assert CliRunner().invoke(main, kept).exit_code == 0
    return folder


@pytest.mark.parametrize("source", [CAPTURE, "store"])
def test_questions_that_a_desk_asks_first_do_not_wait_for_pandas(site: Path, source: str) -> None:
    words = [[name, str(site / source), "--site", str(site / PROFILE)] for name in ("diagnose", "usage")]
    words += [["top", kind, *words[0][1:]] for kind in ("talkers", "applications", "destinations")]
    code = (
        "import sys\nfrom flowdiag.cli.main import main\n"
        f"for words in {words}:\n    main(words, standalone_mode=False)\n"
        "print('pandas' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "False"
