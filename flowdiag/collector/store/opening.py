"""Opens the backend of a store: a folder of this machine, or whatever pyarrow has a filesystem for."""

from __future__ import annotations

from pathlib import Path

from flowdiag.collector.store.backends import StorageBackend, is_url, unusable, without_secrets


def open_backend(address: str | Path, owner: str = "") -> StorageBackend:
    """The backend of a store; a folder need not exist yet. owner: see StorageBackend.

    Raises StoreError for an address that cannot be used.
    """
    text = str(address)
    if text.lower().startswith("file://"):
        text = text[len("file://") :]
    if not is_url(text):
        from flowdiag.collector.store.folder import Folder

        return Folder(text, owner)
    import pyarrow as pa
    import pyarrow.fs as arrow_fs

    from flowdiag.collector.store.objects import Objects

    try:
        filesystem, path = arrow_fs.FileSystem.from_uri(text)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise unusable(text, error) from error
    return Objects(without_secrets(text), filesystem, path.rstrip("/"), owner)
