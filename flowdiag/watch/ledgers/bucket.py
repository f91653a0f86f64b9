"""The ledger of a store in a bucket: one object for each document, put only in place of the one that was read.

Facts the design follows:
- a put with `If-None-Match: *` makes an object only where there is none, one with `If-Match` replaces it only while it has the
  entity tag that was read (RFC 9110 section 13.1; Amazon S3 since 2024); Google Cloud Storage has generations for that. Of two
  writers the store itself refuses one, and what was put is seen by everybody at once, whole;
- a tag may be a digest of the content, so no two contents may ever be the same: each begins with its version and a number that
  was never used before;
- where the answer to a put is lost it is put again, and then refused because of itself: whether what is there is one's own is
  told by that number;
- a store that does not know these conditions ignores them, and would keep what either of two writers put. It is asked once.
"""

from __future__ import annotations

import secrets
import struct
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from threading import Lock
from typing import Any, Final, NamedTuple

from flowdiag.collector.store.backends import unusable, without_secrets
from flowdiag.errors import StoreError
from flowdiag.watch.ledger import FOLDER, LARGEST, Change, Document
from flowdiag.watch.ledgers.buckets import open_bucket

_HEAD: Final = struct.Struct(">8sQ16s")
_AT_ONCE: Final = 8
_MAGIC: Final = b"fdwatch1"


class _Tag(NamedTuple):
    """What a store knows the content of an object by, and the document's version that it is."""

    e_tag: str | None
    generation: str | None
    version: int


class BucketLedger:
    """See Ledger."""

    def __init__(self, address: str) -> None:
        """Raises StoreError, FlowdiagError; the bucket is not asked yet."""
        self._name = without_secrets(address)
        self._bucket, root = open_bucket(address)
        self._folder = f"{root}/{FOLDER}".strip("/")
        self._tags: dict[str, _Tag] = {}  # by the document's name, as last seen
        self._lock = Lock()
        self._asked = False

    def read(self, name: str) -> Document | None:
        found = self._got(name)
        return None if found is None else Document(found[0].version, found[1][_HEAD.size :])

    def versions(self) -> dict[str, int]:
        import obstore

        with self._failures_named():
            pages = obstore.list(self._bucket, f"{self._folder}/", chunk_size=1000)
            listed = {one["path"].rpartition("/")[2]: one["e_tag"] for page in pages for one in page}
        with self._lock:
            known = {name: tag for name, tag in self._tags.items() if name in listed}
            self._tags = dict(known)
        versions = {}
        for name, e_tag in listed.items():
            tag: _Tag | None = known.get(name)
            if tag is None or e_tag is None or tag.e_tag != e_tag:
                head = self._got(name, head=True)
                tag = head and head[0]
            if tag is not None:
                versions[name] = tag.version
        return versions

    def write(self, name: str, content: bytes, version: int) -> bool:
        self._need_conditions()
        with self._lock:
            tag = self._tags.get(name)
        if version and (tag is None or tag.version != version):
            found = self._got(name, head=True)
            if found is None or found[0].version != version:
                return False
            tag = found[0]
        head = _HEAD.pack(_MAGIC, version + 1, secrets.token_bytes(16))
        with self._failures_named():
            put = self._put(self._at(name), head + content, tag if version else None)
        if put is None:
            found = self._got(name, head=True)
            return found is not None and found[1] == head
        self._keep(name, put._replace(version=version + 1))
        return True

    def write_each(self, changes: Sequence[Change]) -> list[bool]:
        if not changes:
            return []
        self._need_conditions()
        with ThreadPoolExecutor(_AT_ONCE) as pool:
            return list(pool.map(lambda change: self.write(*change), changes))

    def remove(self, name: str, version: int) -> None:
        import obstore

        found = self._got(name, head=True)
        if found is not None and found[0].version == version:
            with self._failures_named(), suppress(FileNotFoundError):
                obstore.delete(self._bucket, self._at(name))

    def close(self) -> None:
        """Nothing is held."""

    def _at(self, name: str) -> str:
        return f"{self._folder}/{name}"

    def _keep(self, name: str, tag: _Tag) -> None:
        with self._lock:
            self._tags[name] = tag

    def _got(self, name: str, *, head: bool = False) -> tuple[_Tag, bytes] | None:
        """An object, or its first octets alone; None if there is none."""
        import obstore

        with self._failures_named():
            try:
                options: Any = {"range": (0, _HEAD.size)} if head else None
                got = obstore.get(self._bucket, self._at(name), options=options)
                meta = got.meta
                octets = bytes(got.bytes()) if meta["size"] <= LARGEST else b""
            except FileNotFoundError as error:
                if "NoSuchBucket" in str(error):
                    raise
                return None
        if len(octets) < _HEAD.size or not octets.startswith(_MAGIC):
            raise StoreError(
                "what the watch knows is damaged",
                file=f"{self._name}: {FOLDER}/{name}",
                advice="remove that object: the watch begins anew with its sites, and tells again what goes on",
            )
        _, version, _ = _HEAD.unpack(octets[: _HEAD.size])
        tag = _Tag(meta["e_tag"], meta["version"], version)
        self._keep(name, tag)
        return tag, octets

    def _put(self, path: str, octets: bytes, tag: _Tag | None) -> _Tag | None:
        """Puts an object in place of that of a tag, or where there is none; None where it was refused."""
        import obstore
        from obstore.exceptions import AlreadyExistsError, PreconditionError

        mode: Any = "create"
        if tag is not None:
            known = {"e_tag": tag.e_tag, "version": tag.generation}
            mode = {what: value for what, value in known.items() if value is not None}
        try:
            put = obstore.put(self._bucket, path, octets, mode=mode, use_multipart=False)
        except (AlreadyExistsError, PreconditionError):
            return None
        except FileNotFoundError:
            if tag is None:
                raise  # the bucket
            return None
        return _Tag(put["e_tag"], put["version"], 0)

    def _need_conditions(self) -> None:
        """Raises StoreError for a store that puts whatever it is told to."""
        import obstore

        if self._asked:
            return
        path = f"{self._folder}-asked/{secrets.token_hex(8)}"
        with self._failures_named():
            first = self._put(path, b"1", None)
            second = self._put(path, b"2", None)
            newer = first and self._put(path, b"3", first)
            stale = first and self._put(path, b"4", first)
            with suppress(FileNotFoundError):
                obstore.delete(self._bucket, path)
        if first is None or second is not None or newer is None or stale is not None:
            raise StoreError(
                "a watch cannot be kept in this store, which does not refuse one of two writers",
                file=self._name,
                expected="an object store with conditional writes (If-None-Match and If-Match)",
                advice="watch with a store in a folder, or with an object store that has them",
            )
        self._asked = True

    @contextmanager
    def _failures_named(self) -> Iterator[None]:
        from obstore.exceptions import BaseError

        try:
            yield
        except (BaseError, OSError, ValueError) as error:
            raise unusable(self._name, error) from error
