"""What `flowdiag watch` does instead of watching: each an option, one at a time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final, TypeVar

import click
from msgspec import Struct

from flowdiag.errors import UsageError

Decorated = TypeVar("Decorated", bound=Callable[..., Any])


class Where(Struct, frozen=True):
    """The other options of the command, as given."""

    store: str | None
    sites: Path | None
    config: Path | None
    notify: Path | None
    jobs: int
    cluster: str | None
    form: str | None
    output: Path | None
    quiet: bool

    def of_store(self) -> str:
        """The store as given, or as flowdiag.toml names it. Raises ConfigError."""
        from flowdiag.site.config import find_config

        return self.store or find_config(self.config).need_store()

    def store_and_sites(self) -> tuple[str, Path]:
        """Raises ConfigError."""
        from flowdiag.cli.chosen import store_and_sites

        return store_and_sites(self.store, self.sites, self.config)


Given = Mapping[str, Any]
Asked = Callable[[Where, Given], int]

OPTIONS: Final = (
    click.option(
        "--report", is_flag=True,
        help="Do not watch: list the sites whose backup would not carry them now, gravest first (text, html, csv, json).",
    ),
    click.option(
        "--drill", metavar="KEY",
        help="Do not watch: what the change over to the backup with that key showed (text, html, json).",
    ),
    click.option("--incidents", is_flag=True, help="Do not watch: list what goes on, with its keys."),
    click.option(
        "--acknowledge", metavar="KEY",
        help="Do not watch: tell no more reminders of an incident --until a time, with a --reason.",
    ),
    click.option(
        "--mute", metavar="KEY|SITES",
        help="Do not watch: tell nothing of an incident, or of the sites whose place or name is like this, --until a time.",
    ),
    click.option("--code", metavar="CODE", help="Of --mute: this finding alone."),
    click.option("--link", metavar="NAME", help="Of --mute: this link alone."),
    click.option("--until", metavar="TIME", help="4h, 2d, or 2026-03-03T14:00+13:00."),
    click.option("--reason", metavar="TEXT", help="Why, for who comes next."),
    click.option("--silenced", is_flag=True, help="Do not watch: list what is acknowledged and muted."),
    click.option("--lift", metavar="NAME", help="Do not watch: take such an acknowledgement or mute back."),
    click.option("--failed", is_flag=True, help="Do not watch: list the messages that nobody took."),
    click.option(
        "--resend", multiple=True, metavar="NAME",
        help='Do not watch: send such a message to its target in --notify again; repeatable, "all" for all of them.',
    ),
    click.option(
        "--try", "trying", is_flag=True, help="Do not watch: send each target of --notify a test message."
    ),
)  # fmt: skip


def beside_options(function: Decorated) -> Decorated:
    """The options of this module, passed by their names."""
    for option in reversed(OPTIONS):
        function = option(function)
    return function


def asked_beside(given: Given) -> Asked | None:
    """What is to be done instead of watching; gives the exit code. Raises UsageError where it is several things, or an option
    goes with nothing."""
    asked = [name for name in _DONE if given[name]]
    if len(asked) > 1:
        raise UsageError(
            f"--{asked[0]} and --{asked[1].replace('trying', 'try')} are two things", advice="ask for one"
        )
    alone = [name for name in ("code", "link", "until", "reason") if given[name]]
    if alone and (not asked or asked[0] not in ("acknowledge", "mute")):
        raise UsageError(f"--{alone[0]} goes with --acknowledge or --mute")
    return _DONE[asked[0]] if asked else None


def refuse_forms(where: Where, given: Given) -> None:
    """Raises UsageError where a form is asked for of what has none."""
    asked = next((name for name in _DONE if given[name]), None)
    if asked not in ("report", "drill") and (where.form or where.output):
        raise UsageError("--format and --output go with --report or --drill", advice="leave them out")


def _report(where: Where, given: Given) -> int:
    from flowdiag.cli.watch_pages import write_report

    store, sites = where.store_and_sites()
    write_report(store, sites, where.jobs, where.cluster, where.form, where.output, quiet=where.quiet)
    return 0


def _drill(where: Where, given: Given) -> int:
    from flowdiag.cli.watch_pages import write_drill

    store, sites = where.store_and_sites()
    write_drill(store, sites, given["drill"], where.form, where.output)
    return 0


def _incidents(where: Where, given: Given) -> int:
    from flowdiag.cli.watch_silences import list_incidents

    return list_incidents(where.of_store())


def _acknowledge(where: Where, given: Given) -> int:
    from flowdiag.cli.watch_silences import silence

    if given["code"] or given["link"]:
        raise UsageError("--code and --link go with --mute", advice="leave them out")
    return silence(
        where.of_store(),
        "acknowledged",
        given["acknowledge"],
        code=None,
        link=None,
        until=given["until"],
        reason=given["reason"],
    )


def _mute(where: Where, given: Given) -> int:
    from flowdiag.cli.watch_silences import silence

    return silence(
        where.of_store(),
        "muted",
        given["mute"],
        code=given["code"],
        link=given["link"],
        until=given["until"],
        reason=given["reason"],
    )


def _silenced(where: Where, given: Given) -> int:
    from flowdiag.cli.watch_silences import list_silences

    return list_silences(where.of_store(), where.notify)


def _lift(where: Where, given: Given) -> int:
    from flowdiag.cli.watch_silences import lift

    return lift(where.of_store(), given["lift"])


def _failed(where: Where, given: Given) -> int:
    from flowdiag.cli.watch_messages import failed_messages

    return failed_messages(where.of_store())


def _resend(where: Where, given: Given) -> int:
    from flowdiag.cli.watch_messages import send_again

    return send_again(where.of_store(), where.notify, given["resend"])


def _try(where: Where, given: Given) -> int:
    from flowdiag.cli.watch_messages import try_targets

    return try_targets(where.notify)


_DONE: Final[Mapping[str, Asked]] = {
    "report": _report,
    "drill": _drill,
    "incidents": _incidents,
    "acknowledge": _acknowledge,
    "mute": _mute,
    "silenced": _silenced,
    "lift": _lift,
    "failed": _failed,
    "resend": _resend,
    "trying": _try,
}
