"""A program that is given the message as JSON on its standard input.

Facts the design follows:
- words go to the program as they stand in the file, by no shell: nothing in a message can become a command;
- a program may start others: all of them are one group, which is ended when the time is over;
- a program may not read, may speak without end, and may leave others behind that hold its output open: it is given a file, what
  it says is read and all but its last words forgotten, and it is over when it itself has ended.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import tempfile
import time
from contextlib import suppress
from typing import Final

from flowdiag.text.wording.watch import telling as words
from flowdiag.watch.message import Message, NotTaken
from flowdiag.watch.notify import Command

LARGEST_SAID: Final = 2 << 10  # octets of what a program says that are kept
_LOOKED_AT_S: Final = 0.05
_PIECE: Final = 65_536


def run(target: Command, message: Message) -> None:
    """Raises NotTaken unless the program ends with 0 within its time."""
    with tempfile.TemporaryFile() as given:
        given.write(message.body + b"\n")
        given.seek(0)
        try:
            started = subprocess.Popen(
                target.argv,
                stdin=given,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                start_new_session=True,
                env=os.environ | {"FLOWDIAG_MESSAGE": message.name},
            )
        except (OSError, ValueError) as fault:
            reason = fault.strerror if isinstance(fault, OSError) else None
            raise NotTaken(f"cannot be started: {reason or fault}", everyone=True) from None
    code, said = _ended(started, target.timeout_s)
    if code is None:
        raise NotTaken(words.not_done(target.timeout_s))
    if code != 0:
        raise NotTaken(words.ended_by(code, " ".join(said.decode("utf-8", "replace").split())))


def _ended(started: subprocess.Popen[bytes], seconds: float) -> tuple[int | None, bytes]:
    """The program's exit code, None where its time was over; its last words."""
    deadline_s = time.monotonic() + seconds
    said = b""
    assert started.stdout is not None
    with started.stdout as output:
        os.set_blocking(output.fileno(), False)
        while True:
            code = started.poll()
            said = (said + _read(output.fileno(), 0.0 if code is not None else _LOOKED_AT_S))[-LARGEST_SAID:]
            if code is not None:
                return code, said
            if time.monotonic() >= deadline_s:
                with suppress(ProcessLookupError, PermissionError):
                    os.killpg(started.pid, signal.SIGKILL)
                started.wait()
                return None, said


def _read(pipe: int, seconds: float) -> bytes:
    """What a pipe has within a time."""
    if not _is_readable(pipe, seconds):
        return b""
    try:
        piece = os.read(pipe, _PIECE)
    except BlockingIOError:
        return b""
    if not piece:  # closed, by a program that goes on
        time.sleep(seconds)
    return piece


def _is_readable(pipe: int, seconds: float) -> bool:
    # Not select(), which knows the first 1,024 descriptors of a process alone.
    waiting = select.poll()
    waiting.register(pipe, select.POLLIN)
    return bool(waiting.poll(seconds * 1000))
