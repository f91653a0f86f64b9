"""`flowdiag`: the group of all commands.

A command's module is imported when the command runs, so that help is instant. Errors become lines and exit
codes here and nowhere else.
"""

from __future__ import annotations

import atexit
import gc
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from importlib.util import find_spec
from typing import Any, Final, NoReturn

import click

from flowdiag import __version__
from flowdiag.errors import FlowdiagError, UsageError

# In the order of the help page. The line stands here too, since asking the modules would import them all.
COMMANDS: Final = {
    "diagnose": "The ticket note: why is the internet slow?",
    "inspect": "What is in an export.",
    "draft": "A site profile to start from.",
    "top": "Talkers, applications, destinations, conversations, ranked.",
    "usage": "Each link's rate against its capacity over time.",
    "ingest": "Decode exports into a flow store.",
    "collect": "Receive live exports into a flow store.",
    "watch": "All sites all the time: what began, what ended, and who is told.",
    "desk": "The web page: find a site, ask, read the note.",
    "review": "Which clients need an upgrade, with the evidence.",
    "explain": "What a finding means and how it is decided.",
    "demo": "An invented site's export, profile and note, to try things out.",
}

# A command lives for seconds, and loading it makes a hundred thousand objects that stay: looking through them for
# garbage every 700, as Python does unless told otherwise, takes a tenth of a second.
OBJECTS_BEFORE_SEARCH: Final = 50_000

FAILED: Final = 1
WRONG_USAGE: Final = 2
INTERRUPTED: Final = 130  # 128 + SIGINT, as shells have it

EPILOG: Final = """\b
Example:
  flowdiag demo
  flowdiag diagnose export.pcap --site site.toml --ticket T-1042

Exit codes: 0 done, 1 an input could not be used, 2 wrong usage, 3 found what --fail-on asks for."""


class CommandLine(click.Group):
    """Commands by name from flowdiag.cli, imported on demand."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [name for name in COMMANDS if find_spec(f"flowdiag.cli.{name}") is not None]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self.list_commands(ctx):
            return None
        command = import_module(f"flowdiag.cli.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name]) for name in self.list_commands(ctx)])

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = "flowdiag",
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        if not standalone_mode:
            return super().main(args, prog_name, complete_var, standalone_mode, **extra)
        gc.set_threshold(OBJECTS_BEFORE_SEARCH)
        atexit.register(
            gc.freeze
        )  # what is there at the end goes with the process, without another look through it
        words = list(sys.argv[1:] if args is None else args) or ["--help"]
        try:
            code = super().main(words, prog_name, complete_var, standalone_mode=False, **extra)
            sys.stdout.flush()
        except BrokenPipeError:
            _leave_the_pipe()
        except Exception as error:
            code = _report(error, traceback="--verbose" in words)
        sys.exit(code if isinstance(code, int) else 0)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:  # before click sees it, which would exit 1
            _leave_the_pipe()


def _leave_the_pipe() -> NoReturn:
    """Whoever read the output has enough of it: nothing is wrong, and the flush at exit must not say so."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(0)


def _report(error: Exception, *, traceback: bool) -> int:
    """Prints an error for the person at the terminal and returns the exit code."""
    match error:
        case click.Abort():
            _say("interrupted")
            return INTERRUPTED
        case click.UsageError():
            _say(error.format_message())
            if error.ctx is not None:
                click.echo(f'Try "{error.ctx.command_path} --help".', err=True)
            return WRONG_USAGE
        case UsageError():
            _say(str(error))
            return WRONG_USAGE
        case click.ClickException():
            _say(error.format_message())
        case FlowdiagError():
            _say(str(error))
        case _:
            if traceback:
                import traceback as tracebacks

                tracebacks.print_exception(error)
            _say(
                f"a fault of the program: {type(error).__name__}: {error}; please report it with the output "
                "of the same command and --verbose"
            )
    return FAILED


def _say(text: str) -> None:
    """Prints each line of an error; what came from a file or the network cannot steer the terminal."""
    from flowdiag.text.escape import terminal

    for line in text.splitlines() or [""]:
        click.echo(f"flowdiag: {terminal(line)}", err=True)


@click.group(
    "flowdiag", cls=CommandLine, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]}
)
@click.version_option(__version__, prog_name="flowdiag", message="%(prog)s %(version)s")
def main() -> None:
    """Turn a router's flow export into a plain answer to "my internet is slow".

    An export is a capture (pcap, pcapng), an IPFIX file, NetFlow datagrams, a folder of these, or "-" for
    standard input; the content decides, not the file's name.
    """
