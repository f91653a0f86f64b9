"""`flowdiag demo`: an invented site with a complaint, its export in two protocols, and the note."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Final

import click

from flowdiag.cli.progress import READING, progress_bar, stage

DEFAULT_FOLDER: Final = "flowdiag-demo"
CAPTURE, IPFIX_FILE, PROFILE = "export.pcap", "export.ipfix", "site.toml"
TICKET, REPORTED = "T-1042", "video calls freeze"
WINDOW: Final = ("14:10", "14:50")
MANY_TRIES: Final = 1000  # default folders tried before giving up


@click.command("demo")
@click.argument("folder", required=False, type=click.Path(file_okay=True, path_type=Path))
def command(folder: Path | None) -> None:
    """Invent a site, diagnose its export, and leave the files to play with.

    Writes a capture of NetFlow v9, the same traffic as an IPFIX file, and the site profile into FOLDER (a new
    folder "flowdiag-demo" by default), then prints the ticket note.

    \b
    Example:
      flowdiag demo
      flowdiag demo ~/try-flowdiag
    """
    from flowdiag.cli.output import write_result
    from flowdiag.note.compose import compose
    from flowdiag.note.text import render
    from flowdiag.pipeline import run
    from flowdiag.site.reading import read_profile

    place = fresh_folder(Path(DEFAULT_FOLDER)) if folder is None else folder
    with progress_bar(quiet=False, what="making up an afternoon") as progress:
        write_demo(place)
        stage(progress, READING)
        diagnosis = run(
            [place / CAPTURE],
            read_profile(place / PROFILE),
            window_from=WINDOW[0],
            window_to=WINDOW[1],
            reported=REPORTED,
            progress=progress,
        )
    write_result(render(compose(diagnosis, ticket=TICKET), on_terminal=sys.stdout.isatty()), None)
    click.echo(next_steps(place), err=True)


def fresh_folder(wanted: Path) -> Path:
    """wanted, or wanted-2, wanted-3, ... if it is there already.

    Raises UsageError when none is free.
    """
    from flowdiag.errors import UsageError

    if not wanted.exists():
        return wanted
    for number in range(2, MANY_TRIES):
        candidate = wanted.with_name(f"{wanted.name}-{number}")
        if not candidate.exists():
            return candidate
    raise UsageError(
        f"{wanted} and {MANY_TRIES - 2} more like it exist already", advice="name a folder of your own"
    )


def write_demo(place: Path) -> None:
    """Writes the two exports and the profile into place, which is made if need be.

    Files of an earlier demo may be written again, with the same content. Raises UsageError if place is no
    folder, holds other files of these names, or cannot be written to; nothing is written then.
    """
    from flowdiag.cli.output import write_bytes
    from flowdiag.errors import UsageError
    from flowdiag.scenario.capture import pcap_bytes
    from flowdiag.scenario.exporting import Exporting
    from flowdiag.scenario.library import backup_in_the_afternoon
    from flowdiag.scenario.site import profile_toml
    from flowdiag.scenario.write import export_messages

    try:
        check_place(place)
        situation = backup_in_the_afternoon()
        v9 = export_messages(situation, Exporting(protocol="netflow9", times="uptime"))
        ipfix = export_messages(situation, Exporting(protocol="ipfix"))
        contents = {
            CAPTURE: pcap_bytes(v9, situation.site.exporter),
            IPFIX_FILE: b"".join(message.payload for message in ipfix),
            PROFILE: profile_toml(situation.site).encode(),
        }
        for name, content in contents.items():
            refuse_foreign(place / name, content)
        place.mkdir(parents=True, exist_ok=True)
        for name, content in contents.items():
            write_bytes(content, place / name)
    except OSError as error:
        reason = error.strerror or str(error)
        raise UsageError(reason, file=str(place), advice="name a folder that can be written to") from error


def check_place(place: Path) -> None:
    from flowdiag.errors import UsageError

    if place.exists() and not place.is_dir():
        raise UsageError("this is a file", file=str(place), expected="a folder, new or empty")


def refuse_foreign(path: Path, content: bytes) -> None:
    """Raises UsageError if path is there with other content than the demo would write."""
    from flowdiag.errors import UsageError

    if path.is_symlink() or (path.exists() and (not path.is_file() or path.read_bytes() != content)):
        raise UsageError(
            "is there already and did not come from this demo", file=str(path), advice="name another folder"
        )


def next_steps(place: Path) -> str:
    """What to type next; commands quoted for a shell."""
    import shlex

    from flowdiag.text.wording import demo as wording

    capture, ipfix, profile = (shlex.quote(str(place / name)) for name in (CAPTURE, IPFIX_FILE, PROFILE))
    commands = (
        f"flowdiag inspect {capture}",
        f"flowdiag usage {capture} --site {profile}",
        f"flowdiag top talkers {capture} --site {profile}",
        f"flowdiag diagnose {ipfix} --site {profile} --from {WINDOW[0]} --to {WINDOW[1]} --format json",
        "flowdiag explain link-full",
    )
    return wording.next_steps(str(place), commands)
