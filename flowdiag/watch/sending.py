"""Sends letters that are due: each target by turns of its own, oldest first, for a bounded time.

Facts the design follows:
- a letter leaves its part when it was noted that it was sent. A watch that is killed between both sends it once more, under
  the same name; nothing else is sent twice;
- what tells of an incident goes in order: a letter waits while an earlier one to the same target tells of the same incident;
- letters of several parts that waited for the same thing (a storm, the end of quiet hours) are one message;
- a receiver that is down is asked once a round, not once a letter, and holds up no other target;
- what nobody took within about a day, or what a receiver refuses for good, is put aside, whole (failed.py), before it leaves
  its part;
- a message that makes its receiver fail must not keep the others from it: what was put off longest goes first.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import suppress
from importlib.util import find_spec
from queue import Empty, SimpleQueue
from threading import Event as Flag
from typing import Final, Literal

from msgspec import Struct
from msgspec.structs import replace

from flowdiag.collector.store.backends import StorageBackend
from flowdiag.durations import DAY_MS, MINUTE_MS, SECOND_MS
from flowdiag.errors import FlowdiagError
from flowdiag.text.wording.watch import telling as words
from flowdiag.watch.event import Event
from flowdiag.watch.failed import Failed, drop_old, put_aside
from flowdiag.watch.message import Message, NotTaken
from flowdiag.watch.notify import Notify, Target, Webhook
from flowdiag.watch.part import Letter, Part
from flowdiag.watch.printing import OUTPUT
from flowdiag.watch.targets.delivering import deliver
from flowdiag.watch.telling import LONGEST_WAIT_MS, MOST_TRIES, MUTED, QUIET, name_of

MOST_THREADS: Final = 64  # one for each target, as a rule
SHORTEST_MS: Final = 30 * SECOND_MS  # until the second try
LONGEST_MS: Final = 50 * MINUTE_MS  # between two tries; some of it more, so that not all come at once
JITTER: Final = 0.2
# So many messages in a row that were not taken are no matter of the messages.
MOST_STRIKES: Final = 3
# For so long letters are sent to a target before it is looked again what is due: much shorter than others wait for a watch
# that says nothing before they do its work (holding.py).
ROUND_S: Final = 5.0
UNNOTED_S: Final = 900.0  # what became of a letter is remembered where no part has it
UNKNOWN_MS: Final = DAY_MS  # letters wait for a target that the file does not have
TIDY_S: Final = 6 * 3_600.0  # between two times that what was put aside long ago is forgotten
_AGAIN_MS: Final = MINUTE_MS  # where what is put aside could not be written

Deliver = Callable[[Target, Message, int], None]


class Outcome(Struct, frozen=True):
    """What became of a letter: sent, to be tried again at due_ms, or given up and put aside."""

    kind: Literal["sent", "again", "failed"]
    due_ms: int = 0
    tries: int = 0
    fault: str | None = None


class _Parcel(Struct, frozen=True, eq=False):
    """A message, the letters that it is made of, and the incidents that it tells of."""

    message: Message
    letters: tuple[Letter, ...]
    keys: frozenset[str]

    @property
    def tries(self) -> int:
        return max(letter.tries for letter in self.letters)


class Sender:
    """Sends for a watch, in threads of its own. backend: of the store, in which what nobody took is put aside. Of two for the
    same parts the first has to be closed, and its outcomes noted, before the second begins."""

    def __init__(self, notify: Notify, backend: StorageBackend, deliver: Deliver = deliver) -> None:
        """Raises FlowdiagError where a package is missing."""
        need_packages(notify)
        self._notify = notify
        self._targets = {target.name: target for target in notify.targets}
        self._backend = backend
        self._deliver = deliver
        self._known: dict[
            str, tuple[Outcome, float]
        ] = {}  # what is not noted yet, and since when (monotonic, s)
        threads = min(max(len(notify.targets), 1), MOST_THREADS)
        self._threads = ThreadPoolExecutor(threads, thread_name_prefix="tell")
        self._busy: dict[str, Future[None]] = {}
        self._sending: dict[str, set[str]] = {}  # the names of letters in the last round of a target
        self._done: SimpleQueue[tuple[str, Outcome]] = SimpleQueue()
        self._closing = Flag()
        self._tidied_s: float | None = None

    def send(self, parts: Iterable[Part], now_ms: int, wait_s: float = 0.0) -> dict[str, Outcome]:
        """Begins to send what is due, and gives by name what became of letters of which the parts do not tell it yet: settled()
        notes it in a part. Until that is done it is told again, and the letter not sent again.

        parts: all that this watch looks after, so that what belongs together is one message; wait_s: for what is begun.
        """
        parts = list(parts)
        if self._tidied_s is None or time.monotonic() - self._tidied_s >= TIDY_S:
            self._tidied_s = time.monotonic()
            self._threads.submit(self._tidy, now_ms)
        # First who is idle, then what they did: what is not noted in the parts yet must not be sent again.
        idle = [target.name for target in self._notify.targets if self._is_idle(target.name)]
        self._learn(parts)
        by_target: dict[str, list[_Parcel]] = {}
        for parcel in self._parcels(parts, now_ms):
            by_target.setdefault(parcel.letters[0].target, []).append(parcel)
        for name in idle:
            if name in by_target:
                self._sending[name] = {one.name for parcel in by_target[name] for one in parcel.letters}
                self._busy[name] = self._threads.submit(
                    self._round, self._targets[name], by_target[name], now_ms
                )
        for name in by_target.keys() - self._targets.keys():
            self._round(None, by_target[name], now_ms)
        if wait_s:
            wait(self._busy.values(), timeout=wait_s)
        return self._outcomes()

    def is_due(self, parts: Iterable[Part], now_ms: int) -> bool:
        """Whether there is anything to send."""
        return bool(self._parcels(list(parts), now_ms))

    def on_their_way(self) -> set[str]:
        """The names of letters that are being sent, and of those of which the parts may not tell yet what became of them."""
        running = [names for target, names in self._sending.items() if not self._is_idle(target)]
        return set().union(*running, self._outcomes())

    def take_over(self, outcomes: Mapping[str, Outcome]) -> None:
        """What became of letters that another one sent, which was closed: as if it was this one."""
        for outcome in outcomes.items():
            self._done.put(outcome)

    def close(self) -> dict[str, Outcome]:
        """Begins nothing more, waits for what is on its way, and tells what became of letters, as send() does."""
        self._closing.set()
        self._threads.shutdown(wait=True)
        return self._outcomes()

    def _tidy(self, now_ms: int) -> None:
        with suppress(FlowdiagError, OSError):  # another time will do
            drop_old(self._backend, now_ms)

    def _is_idle(self, name: str) -> bool:
        future = self._busy.get(name)
        return future is None or (future.done() and future.result() is None)

    def _outcomes(self) -> dict[str, Outcome]:
        now_s = time.monotonic()
        while True:
            try:
                name, outcome = self._done.get_nowait()
            except Empty:
                return {name: outcome for name, (outcome, _) in self._known.items()}
            self._known[name] = (outcome, now_s)

    def _learn(self, parts: Sequence[Part]) -> None:
        """Forgets what became of letters where the parts tell it."""
        self._outcomes()
        tries = {letter.name: letter.tries for part in parts for letter in part.letters}
        now_s = time.monotonic()
        for name, (outcome, since_s) in list(self._known.items()):
            if name in tries:
                noted = outcome.kind == "again" and tries[name] >= outcome.tries
            else:
                noted = now_s - since_s >= UNNOTED_S
            if noted:
                del self._known[name]

    def _parcels(self, parts: Sequence[Part], now_ms: int) -> list[_Parcel]:
        together: dict[tuple[object, ...], list[tuple[Letter, list[Event]]]] = {}
        for part in parts:
            letters = self._to_send(part, now_ms)
            events = {event.name: event for event in part.events} if letters else {}
            for letter in letters:
                told = [events[name] for name in letter.events if name in events]
                key = (letter.group, letter.due_ms, letter.tries) if letter.group else (letter.name,)
                together.setdefault((letter.target, *key), []).append((letter, told))
        return _in_turn([self._parcel(found) for found in together.values()])

    def _to_send(self, part: Part, now_ms: int) -> list[Letter]:
        """What is due of a part, less what was sent or is tried again later, which the part may not tell yet, and what waits for
        the latter."""
        letters: list[Letter] = []
        held_up: set[tuple[str, str]] = set()
        for letter in due_letters(part, now_ms):
            if letter.target not in self._targets and letter.made_ms > now_ms - UNKNOWN_MS:
                continue  # another watch may have another file
            keys = {(letter.target, key) for key in _keys(letter)}
            outcome, _ = self._known.get(letter.name, (None, 0.0))
            if (outcome is not None and outcome.kind == "again") or (outcome is None and keys & held_up):
                held_up |= keys
            elif outcome is None:
                letters.append(letter)
        return letters

    def _parcel(self, found: Sequence[tuple[Letter, list[Event]]]) -> _Parcel:
        letters = tuple(letter for letter, _ in found)
        first = letters[0]
        message = Message(
            name=first.name
            if len(letters) == 1
            else name_of(first.target, sorted(letter.name for letter in letters)),
            events=tuple(event for _, told in found for event in told),
            made_ms=min(letter.made_ms for letter in letters),
            desk=self._notify.desk,
            quiet=first.group == QUIET,
        )
        return _Parcel(message, letters, frozenset(key for letter in letters for key in _keys(letter)))

    def _round(self, target: Target | None, parcels: Sequence[_Parcel], now_ms: int) -> None:
        began_s = time.monotonic()
        stuck: set[str] = set()
        strikes = 0
        waiting = list(parcels)
        while waiting:
            parcel = waiting.pop(0)
            if time.monotonic() >= began_s + ROUND_S or self._closing.is_set():
                return
            if parcel.keys & stuck:
                continue
            at_ms = now_ms + round((time.monotonic() - began_s) * 1000)
            fault = self._fault(target, parcel, at_ms)
            self._note(parcel, fault, at_ms)
            if fault is None or fault.permanent:
                strikes = 0
                continue
            stuck |= parcel.keys
            strikes += 1
            if fault.everyone or strikes >= MOST_STRIKES:
                for other in waiting:
                    self._note(other, NotTaken(f"{words.BEFORE_IT}: {fault.what}"), at_ms)
                return

    def _fault(self, target: Target | None, parcel: _Parcel, now_ms: int) -> NotTaken | None:
        """Why a message was not taken; None if it was."""
        if target is None:
            return NotTaken(words.NO_TARGET, permanent=True)
        if not parcel.message.events:
            return NotTaken(words.NO_EVENTS, permanent=True)
        if parcel.tries >= MOST_TRIES:
            return NotTaken(parcel.letters[0].fault or words.TOO_MANY, permanent=True)
        try:
            self._deliver(target, parcel.message, now_ms)
        except NotTaken as fault:
            return fault
        except Exception as fault:  # whatever a library raises: other targets go on, and it is tried again
            return NotTaken(f"{type(fault).__name__}")
        return None

    def _note(self, parcel: _Parcel, fault: NotTaken | None, now_ms: int) -> None:
        outcome = Outcome("sent") if fault is None else self._after(parcel, fault, now_ms)
        for letter in parcel.letters:
            self._done.put((letter.name, outcome))

    def _after(self, parcel: _Parcel, fault: NotTaken, now_ms: int) -> Outcome:
        tries = parcel.tries + 1
        if not fault.permanent and tries < MOST_TRIES:
            after_ms = min(round((fault.after_s or 0.0) * 1000), LONGEST_WAIT_MS)
            due_ms = now_ms + max(wait_ms(parcel.message.name, parcel.tries), after_ms)
            return Outcome("again", due_ms, tries, fault.what)
        try:
            target = parcel.letters[0].target
            failed = Failed.of(parcel.message, target, min(tries, MOST_TRIES), fault.what, now_ms)
            put_aside(self._backend, failed)
        except Exception:  # no store to write to, or whatever else: it stays, and others go on
            return Outcome("again", now_ms + _AGAIN_MS, parcel.tries, fault.what)
        return Outcome("failed", tries=tries, fault=fault.what)


def _in_turn(parcels: Sequence[_Parcel]) -> list[_Parcel]:
    """What is due longest first, but what tells of an incident not before what told of it earlier."""
    latest: dict[tuple[str, str], int] = {}
    ranks = []
    for parcel in parcels:
        target = parcel.letters[0].target
        keys = [(target, key) for key in parcel.keys]
        rank = max([parcel.letters[0].due_ms, *(latest.get(key, 0) for key in keys)])
        latest.update(dict.fromkeys(keys, rank))
        ranks.append(rank)
    return [parcel for _, parcel in sorted(zip(ranks, parcels, strict=True), key=lambda pair: pair[0])]


def due_letters(part: Part, now_ms: int) -> Iterator[Letter]:
    """Of a part, in order, without those that wait for an earlier one of the same incident."""
    waiting: set[tuple[str, str]] = set()
    for letter in part.letters:
        if letter.group == MUTED or letter.target == OUTPUT:
            continue
        keys = {(letter.target, key) for key in _keys(letter)}
        if letter.due_ms > now_ms or keys & waiting:
            waiting |= keys
        else:
            yield letter


def settled(part: Part, outcomes: Mapping[str, Outcome]) -> Part:
    """A part in which what became of its letters is noted; the same one where nothing did."""
    letters = []
    for letter in part.letters:
        outcome = outcomes.get(letter.name)
        if outcome is None:
            letters.append(letter)
        elif outcome.kind == "again":
            letters.append(replace(letter, due_ms=outcome.due_ms, tries=outcome.tries, fault=outcome.fault))
    after = tuple(letters)
    return part if after == part.letters else replace(part, letters=after)


def not_taking(parts: Iterable[Part]) -> dict[str, str]:
    """The targets that did not take what waits for them, and why."""
    letters = (letter for part in parts for letter in part.letters)
    return {letter.target: letter.fault for letter in letters if letter.fault is not None}


def wait_ms(name: str, tries: int) -> int:
    """Until a message is tried again that was tried so often before: twice as long each time, from half a minute to an hour. What
    is added so that not all come at once follows from the name: whoever computes it gets the same."""
    base = min(SHORTEST_MS << min(tries, 20), LONGEST_MS)
    digest = hashlib.sha256(f"{name} {tries}".encode()).digest()
    return base + round(base * JITTER * int.from_bytes(digest[:4]) / 2**32)


def need_packages(notify: Notify) -> None:
    """Raises FlowdiagError where a package is missing that the targets need."""
    if find_spec("httpcore") is None and any(isinstance(target, Webhook) for target in notify.targets):
        raise FlowdiagError(
            "a webhook needs a package that other targets do not",
            advice='install it with: pip install "flowdiag[watch]"',
        )


def _keys(letter: Letter) -> set[str]:
    """The incidents that a letter tells of."""
    return {name.rpartition(".")[0] for name in letter.events}
