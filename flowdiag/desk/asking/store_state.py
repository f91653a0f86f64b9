"""What of a store an answer depends on, as a digest: the names of its files, which are never used again for other content."""

from __future__ import annotations

import hashlib

from flowdiag.collector.span import Span
from flowdiag.desk.asking.question import Progress, Question
from flowdiag.durations import DAY_MS
from flowdiag.site.profile import Profile

# A diagnosis compares with earlier days, which change only when files are merged or dropped; what changes an answer about
# today are today's files and those beside them.
BESIDE_MS = DAY_MS


class ReachableQuestion(Question, frozen=True):
    """Whether the store can be read."""

    store: str

    def answer(self, progress: Progress) -> None:
        """Raises StoreError."""
        from flowdiag.collector.store.changes import need_store
        from flowdiag.collector.store.opening import open_backend

        need_store(open_backend(self.store))


def store_state(store: str, profile: Profile, span_ms: Span) -> str:
    """A digest of the site's files around a time. Raises StoreError."""
    from flowdiag.collector.store.finding import find_files
    from flowdiag.collector.store.opening import open_backend

    begin, end = span_ms
    around = (None if begin is None else begin - BESIDE_MS, None if end is None else end + BESIDE_MS)
    files = find_files(open_backend(store), profile.site.exporter_octets, around)
    digest = hashlib.sha256(repr(profile).encode())
    for file in files:
        digest.update(f"{file.target}\n".encode())
    return digest.hexdigest()
