"""Which parts of the sites a watcher looks after, so that several share them and one that dies is taken over.

Facts the design follows:
- a part names its owner in its own document. Whoever changes it, changes it in the version that was read: an owner that was
  stopped, or cut off, and has been taken over cannot write any more, whatever it believes;
- a watcher has a document of its own, which it replaces every few seconds as a sign of life. Owners without one are gone;
- clocks of hosts differ: a silence is measured by the clock of who listens, from when he first saw the last sign. Of processes
  of the same host it is known at once that they are dead (`living.py`);
- all see the same living watchers sooner or later, and who they are decides alone how many parts each has and from which on it
  looks for them: nothing has to be agreed on.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import islice
from threading import Lock
from typing import Final, NamedTuple

from msgspec import Struct
from msgspec.structs import replace as changed

from flowdiag.errors import StoreError
from flowdiag.watch.ledger import Change, Ledger
from flowdiag.watch.living import is_dead, own_name
from flowdiag.watch.part import PARTS, Part, decoded, encoded

BEAT_S: Final = 10.0
DEAD_AFTER_S: Final = 40.0
# So long after its last sign of life a watcher may be sure that nobody has taken it for dead.
SURE_S: Final = 30.0
_TRIES: Final = 5
SIGN: Final = "watcher-"  # listed after every part, so that an owner's sign is seen if its part is


class Held(NamedTuple):
    """version: of the part's document; 0 is never held."""

    part: Part
    version: int


class _Sign(Struct):
    """The last sign of life of another watcher: its version, since when (monotonic, s) it is known, and whether there was
    another one before it."""

    version: int
    since_s: float
    again: bool = False


class Holding:
    """The parts of one watcher. beat() is called from any thread, everything else from one."""

    def __init__(
        self,
        ledger: Ledger,
        clock: Callable[[], float] = time.monotonic,
        owner: str | None = None,
        dead: Callable[[str], bool] = is_dead,
    ) -> None:
        """clock: seconds that only grow; dead: whether it is known at once that a watcher of a name is gone."""
        self.owner = owner or own_name()
        self._ledger = ledger
        self._clock = clock
        self._dead = dead
        self._held: dict[str, Held] = {}
        self._unsettled: set[str] = set()  # parts of which it is not known whether they are this watcher's
        self._signs: dict[str, _Sign] = {}
        self._beating = Lock()
        self._version = 0
        self._beaten_s: float | None = None
        self._released = False
        # Times in which this watcher was silent for so long that others may have taken over what it held, and how many of them
        # the last hold() knew of.
        self._silences = self._silences_known = 0

    def beat(self) -> None:
        """Gives a sign of life, unless everything was released; to be called every BEAT_S. Raises StoreError."""
        with self._beating:
            if self._released:
                return
            begun_s = self._clock()
            if self._beaten_s is not None and begun_s - self._beaten_s >= SURE_S:
                self._silences += 1
            name = SIGN + self.owner
            for _ in range(_TRIES):
                if self._ledger.write(name, b"", self._version):
                    self._version += 1
                    self._beaten_s = begun_s
                    return
                known = self._ledger.read(name)  # others took this watcher for dead, or an answer was lost
                self._version = 0 if known is None else known.version
        raise StoreError("a watcher cannot leave a sign of life in the store", advice="run this again")

    @property
    def is_sure(self) -> bool:
        """Whether nobody can have taken over the parts held; after a long silence not before the next hold(). Ask before what
        only an owner may do and no ledger can undo."""
        fresh = self._beaten_s is not None and self._clock() - self._beaten_s < SURE_S
        return fresh and self._silences == self._silences_known

    @property
    def in_doubt(self) -> bool:
        """Whether another watcher has not been heard twice: within DEAD_AFTER_S it is, or its parts can be taken."""
        return not all(sign.again for sign in self._signs.values())

    @property
    def held(self) -> dict[str, Held]:
        """As known after the last call."""
        return dict(self._held)

    def hold(self, busy: Callable[[Part], bool] = lambda part: False) -> dict[str, Held]:
        """Takes parts that nobody looks after up to a fair share, and lets go of what is above it; gives those held. busy: parts
        that are not to be let go of yet.

        A silence is known to be death at the first call after it was long enough: call it at least every BEAT_S, if only to see
        whether anything changed. Raises StoreError.
        """
        self._released = False
        if self._beaten_s is None or self._clock() - self._beaten_s >= BEAT_S:
            self.beat()
        silences = self._silences
        versions = self._ledger.versions()
        living = sorted({self.owner, *self._living(versions)})
        self._settle(versions)
        self._silences_known = silences
        rank = living.index(self.owner)
        first, following = (PARTS * place // len(living) for place in (rank, rank + 1))
        share, names = following - first, _from(first)
        above = [name for name in names if name in self._held][share:]
        self._let_go([name for name in above if not busy(self._held[name].part)])
        self._take(self._free(names, versions, living), share - len(self._held))
        return self.held

    def replace(self, name: str, part: Part) -> bool:
        """Replaces a part that is held by what became of it; False, and it is not held any more, where another has taken it over.

        Raises StoreError: whether it was replaced is unknown then, and the next hold() tells.
        """
        return name in self.replace_each({name: part})

    def replace_each(self, parts: Mapping[str, Part]) -> set[str]:
        """Several parts, each as by replace(), which is quicker; the names of those replaced."""
        new = [
            (name, changed(part, owner=self.owner), self._held.pop(name).version)
            for name, part in parts.items()
        ]
        return {name for name, written in zip(parts, self._write(new), strict=True) if written}

    def release(self) -> None:
        """Lets go of everything, at a clean end: others can take it at once. Raises StoreError."""
        with self._beating:
            self._released = True
        self._let_go(list(self._held))
        with self._beating:
            self._ledger.remove(SIGN + self.owner, self._version)
            self._version, self._beaten_s = 0, None

    def _living(self, versions: dict[str, int]) -> list[str]:
        """The other watchers that are not known to be dead; signs of those that are go away."""
        now_s = self._clock()
        signs, living = {}, []
        for name, version in versions.items():
            owner = name.removeprefix(SIGN)
            if owner == name or owner == self.owner:
                continue
            sign = self._signs.get(owner)
            if sign is None or sign.version != version:
                sign = _Sign(version, now_s, again=sign is not None)
            if now_s - sign.since_s >= DEAD_AFTER_S or self._dead(owner):
                self._ledger.remove(name, version)
                continue
            signs[owner] = sign
            living.append(owner)
        self._signs = signs
        return living

    def _settle(self, versions: dict[str, int]) -> None:
        """Holds what is this watcher's own, and that alone."""
        other = {name for name, held in self._held.items() if versions.get(name) != held.version}
        self._unsettled |= other
        for name in sorted(self._unsettled):
            self._held.pop(name, None)
            found = self._read(name)
            if found is not None and found.part.owner == self.owner:
                self._held[name] = found
            self._unsettled.discard(name)

    def _free(
        self, names: Iterable[str], versions: dict[str, int], living: list[str]
    ) -> Iterator[tuple[str, Part, int]]:
        """The parts that nobody looks after, with their versions."""
        for name in names:
            version = versions.get(name, 0)
            if name in self._held:
                continue
            found = self._read(name) if version else Held(Part(), 0)
            if found is not None and found.version == version and found.part.owner not in living:
                yield name, found.part, version

    def _take(self, free: Iterable[tuple[str, Part, int]], most: int) -> None:
        self._write(
            [
                (name, changed(part, owner=self.owner), version)
                for name, part, version in islice(free, max(most, 0))
            ]
        )

    def _let_go(self, names: Iterable[str]) -> None:
        held = [(name, self._held.pop(name)) for name in names]
        self._write([(name, changed(part, owner=""), version) for name, (part, version) in held])

    def _read(self, name: str) -> Held | None:
        document = self._ledger.read(name)
        return None if document is None else Held(decoded(name, document.content), document.version)

    def _write(self, parts: list[tuple[str, Part, int]]) -> list[bool]:
        """Replaces those versions of parts, which are held from then on if this watcher owns them."""
        self._unsettled.update(name for name, _, _ in parts)
        changes = [Change(name, encoded(part), version) for name, part, version in parts]
        done = self._ledger.write_each(changes) if changes else []
        for (name, part, version), written in zip(parts, done, strict=True):
            if written:
                self._unsettled.discard(name)
                if part.owner == self.owner:
                    self._held[name] = Held(part, version + 1)
        return done


def _from(first: int) -> list[str]:
    """The names of all parts, beginning with one of them."""
    return [f"part-{(first + number) % PARTS:02d}" for number in range(PARTS)]
