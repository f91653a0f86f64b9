"""Options that commands share."""

from __future__ import annotations

import click
import pytest
from click.testing import CliRunner, Result

from flowdiag.cli.options import (
    exports_argument,
    link_options,
    output_options,
    pseudonyms_option,
    rows_option,
    site_option,
    span_options,
    talk_options,
    window_option,
)


@click.command()
@exports_argument
@site_option(required=False)
@span_options
@window_option()
@output_options("text", "json")
@rows_option
@link_options
@pseudonyms_option
@talk_options
def command(**given: object) -> None:
    for name, value in sorted(given.items()):
        click.echo(f"{name}={value}")


def run(*arguments: str) -> Result:
    return CliRunner().invoke(command, arguments)


def given(*arguments: str) -> dict[str, str]:
    result = run(*arguments)
    assert result.exit_code == 0, result.output
    return dict(line.split("=", 1) for line in result.stdout.splitlines())


def test_the_names_under_which_a_command_gets_them() -> None:
    assert given("a", "b") == {
        "direction": "None",
        "exports": "('a', 'b')",
        "form": "None",
        "limit": "20",
        "link": "None",
        "output": "None",
        "pseudonyms": "False",
        "quiet": "False",
        "site": "None",
        "window_from": "None",
        "window_ms": "60000",
        "window_to": "None",
    }


@pytest.mark.parametrize(
    ("text", "milliseconds"),
    [
        ("60s", 60_000),
        ("5m", 300_000),
        ("1h", 3_600_000),
        ("1d", 86_400_000),
        ("90", 90_000),
        ("1.5 M", 90_000),
    ],
)
def test_lengths_of_time(text: str, milliseconds: int) -> None:
    assert given("a", "--window", text)["window_ms"] == str(milliseconds)


@pytest.mark.parametrize("text", ["", "0s", "-5m", "5 weeks", "0.5s", "32d", "1e9", "nan", "9" * 50])
def test_what_is_no_length_of_time_is_wrong_usage(text: str) -> None:
    result = run("a", "--window", text)
    assert result.exit_code == 2
    assert "is not a length of time such as 60s, 5m or 1h" in result.stderr


@pytest.mark.parametrize(
    "arguments",
    [[], ["a", "--direction", "in"], ["a", "--format", "csv"], ["a", "-n", "-1"], ["a", "-n", "x"]],
)
def test_wrong_usage(arguments: list[str]) -> None:
    assert run(*arguments).exit_code == 2
