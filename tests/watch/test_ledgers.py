"""The ledger keeps its one rule in a folder and in a bucket: with processes that race for a document, and that are killed."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from flowdiag.errors import FlowdiagError, StoreError
from flowdiag.watch.ledger import FOLDER, Change, Document, Ledger
from flowdiag.watch.ledgers import buckets
from flowdiag.watch.ledgers.buckets import address_of
from flowdiag.watch.ledgers.folder import FILE_NAME
from flowdiag.watch.ledgers.opening import open_ledger
from tests.watch.ledgers import BUCKET, google, make_bucket, s3_server


@pytest.fixture(scope="module")
def server() -> Iterator[dict[str, str]]:
    with s3_server() as environment:
        yield environment


@pytest.fixture
def bucket(server: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> Any:
    for name, value in server.items():
        monkeypatch.setenv(name, value)
    return make_bucket()


@pytest.fixture(params=["folder", "amazon", "google"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty store."""
    if request.param == "folder":
        return str(tmp_path)
    request.getfixturevalue("bucket")
    return BUCKET if request.param == "amazon" else google(request.getfixturevalue("server"), tmp_path.name)


@pytest.fixture
def ledger(store: str) -> Ledger:
    return open_ledger(store)


def test_nothing_is_there_before_something_was_written(ledger: Ledger) -> None:
    assert ledger.read("part-00") is None
    assert ledger.versions() == {}
    ledger.remove("part-00", 1)


def test_a_document_is_replaced_by_who_has_read_its_newest_version(ledger: Ledger, store: str) -> None:
    other = open_ledger(store)
    assert ledger.write("part-00", b"one", 0)
    assert other.read("part-00") == Document(1, b"one")
    assert other.write("part-00", b"two", 1)
    assert not ledger.write("part-00", b"late", 1)
    assert not ledger.write("part-00", b"new", 0)
    assert not ledger.write("part-00", b"ahead", 3)
    assert not ledger.write("part-01", b"never there", 1)
    assert ledger.read("part-00") == Document(2, b"two")
    assert ledger.write("part-01", b"", 0)
    assert ledger.versions() == other.versions() == {"part-00": 2, "part-01": 1}
    assert ledger.read("part-01") == Document(1, b"")


def test_several_documents_are_replaced_each_by_itself(ledger: Ledger) -> None:
    assert ledger.write_each([]) == []
    assert ledger.write("part-01", b"one", 0)
    changes = [Change("part-00", b"a", 0), Change("part-01", b"b", 0), Change("part-01", b"c", 1)]
    assert ledger.write_each([*changes[:2], Change("part-02", b"d", 0)]) == [True, False, True]
    assert ledger.write_each(changes[2:]) == [True]
    assert ledger.versions() == {"part-00": 1, "part-01": 2, "part-02": 1}


def test_one_who_has_read_nothing_writes_by_the_version_alone(ledger: Ledger, store: str) -> None:
    assert ledger.write("part-00", b"one", 0)
    assert open_ledger(store).write("part-00", b"two", 1)
    assert not open_ledger(store).write("part-00", b"three", 1)


def test_the_same_content_twice_is_two_versions(ledger: Ledger, store: str) -> None:
    """Who read the first must not take the third for it."""
    other = open_ledger(store)
    assert ledger.write("part-00", b"same", 0)
    assert other.read("part-00") == Document(1, b"same")
    assert ledger.write("part-00", b"other", 1)
    assert ledger.write("part-00", b"same", 2)
    assert other.versions() == {"part-00": 3}
    assert not other.write("part-00", b"late", 1)


def test_a_document_that_was_removed_begins_anew(ledger: Ledger, store: str) -> None:
    other = open_ledger(store)
    assert ledger.write("watcher-a", b"", 0)
    assert ledger.write("watcher-a", b"", 1)
    other.remove("watcher-a", 1)
    assert other.versions() == {"watcher-a": 2}
    other.remove("watcher-a", 2)
    assert ledger.versions() == {}
    assert not ledger.write("watcher-a", b"", 2)
    assert ledger.write("watcher-a", b"again", 0)
    assert other.read("watcher-a") == Document(1, b"again")


def test_whether_anything_changed_is_one_request(bucket: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    import obstore

    ledger = open_ledger(BUCKET)
    for number in range(3):
        assert ledger.write(f"part-{number:02d}", b"", 0)
    assert open_ledger(BUCKET).write("part-01", b"", 1)
    got: list[str] = []
    get = obstore.get
    monkeypatch.setattr(obstore, "get", lambda *words, **named: got.append(words[1]) or get(*words, **named))
    for _ in range(3):
        assert ledger.versions() == {"part-00": 1, "part-01": 2, "part-02": 1}
    assert got == [f"of-all/{FOLDER}/part-01"]


def test_a_large_document_comes_back_as_it_was(ledger: Ledger) -> None:
    content = random.Random(1).randbytes(7 << 20)
    assert ledger.write("part-00", content, 0)
    assert ledger.read("part-00") == Document(1, content)


COUNTING = """
import sys, time
from flowdiag.watch.ledgers.opening import open_ledger
ledger, times = open_ledger(sys.argv[1]), int(sys.argv[2])
while times:
    version, content = ledger.read("part-00") or (0, b"0")
    assert version == int(content), (version, content)
    if ledger.write("part-00", b"%d" % (version + 1), version):
        times -= 1
        print(version + 1, flush=True)
        time.sleep(0.01)  # as others want to write, too
"""


def counting(store: str, times: int) -> subprocess.Popen[str]:
    """A process that adds one to a document so often, and tells the sum each time that it was done."""
    return subprocess.Popen([sys.executable, "-c", COUNTING, store, str(times)], stdout=-1, text=True)


def told_by(process: subprocess.Popen[str]) -> list[int]:
    return [int(line) for line in process.communicate(timeout=60)[0].split()]


def test_of_many_that_add_to_one_document_each_is_counted(ledger: Ledger, store: str) -> None:
    told = [told_by(process) for process in [counting(store, 25) for _ in range(4)]]
    assert sorted(number for numbers in told for number in numbers) == list(range(1, 101))
    assert ledger.read("part-00") == Document(100, b"100")


@pytest.mark.slow
@pytest.mark.parametrize("store", ["folder", "amazon"], indirect=True)
def test_a_writer_that_is_killed_leaves_the_newest_version(ledger: Ledger, store: str) -> None:
    """Fifty times, at any instant, beside another one: what was told is there, told once, and no more than one was not told."""
    chance = random.Random(3)
    beside = counting(store, 1_000_000)
    told: list[int] = []
    try:
        for _ in range(50):
            process = counting(store, 1_000_000)
            assert process.stdout is not None
            first = int(process.stdout.readline())
            time.sleep(chance.random() * 0.05)
            process.kill()
            mine = [first, *told_by(process)]
            told += mine
            known = ledger.read("part-00")
            assert known is not None
            assert known.version == int(known.content) >= max(mine)
    finally:
        beside.kill()
        told += told_by(beside)
    last = ledger.read("part-00")
    assert last is not None
    assert len(told) == len(set(told))
    assert set(told) <= set(range(1, last.version + 1))
    assert last.version - len(told) <= 51
    assert ledger.write("part-00", b"", last.version)


def test_a_folder_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    """It may be that of a disk which is not mounted."""
    ledger = open_ledger(tmp_path / "gone")
    for do in (lambda: ledger.read("a"), ledger.versions, lambda: ledger.write("a", b"", 0)):
        with pytest.raises(StoreError, match="gone: the store cannot be used"):
            do()
    assert not (tmp_path / "gone").exists()


def test_what_is_in_a_folder_is_for_its_owner_and_the_group(tmp_path: Path) -> None:
    old = os.umask(0)
    try:
        assert open_ledger(f"file://{tmp_path}").write("a", b"", 0)
    finally:
        os.umask(old)
    file = tmp_path / FOLDER / FILE_NAME
    assert file.stat().st_mode & 0o777 == 0o640
    assert file.parent.stat().st_mode & 0o777 == 0o750
    assert {other.stat().st_mode & 0o777 for other in file.parent.iterdir()} == {0o640}


def test_reading_makes_nothing(tmp_path: Path) -> None:
    ledger = open_ledger(tmp_path)
    ledger.read("a")
    ledger.versions()
    assert list(tmp_path.iterdir()) == []


def written(folder: Path) -> Path:
    """The file of a ledger with a few large documents."""
    ledger = open_ledger(folder)
    for number in range(4):
        assert ledger.write(f"part-{number:02d}", os.urandom(20_000), 0)
    return folder / FOLDER / FILE_NAME


@pytest.mark.parametrize("cut", [0, 1])
def test_a_damaged_file_is_one_clear_line(tmp_path: Path, cut: int) -> None:
    file = written(tmp_path)
    octets = file.read_bytes()
    file.write_bytes(b"no database" * 1000 if cut == 0 else octets[: len(octets) // 8])
    ledger = open_ledger(tmp_path)
    told = r"watch.sqlite: .* damaged .*; move that file elsewhere"
    with pytest.raises(StoreError, match=told):
        ledger.read("part-03")
    with pytest.raises(StoreError, match=told):
        ledger.write("part-03", b"x", 1)


def test_a_file_of_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    file = written(tmp_path)
    base = sqlite3.connect(file)
    base.execute("PRAGMA user_version = 2")
    base.close()
    ledger = open_ledger(tmp_path)
    with pytest.raises(StoreError, match="newer flowdiag"):
        ledger.write("part-00", b"", 1)
    with pytest.raises(StoreError, match="newer flowdiag"):
        ledger.versions()


def test_a_full_disk_is_one_clear_line_and_nothing_is_lost(tmp_path: Path) -> None:
    """The file may not grow: what SQLite is told by a disk that is full."""
    ledger = open_ledger(tmp_path)
    assert ledger.write("part-00", b"before", 0)
    code = """
import resource, signal, sys
from flowdiag.errors import StoreError
from flowdiag.watch.ledgers.opening import open_ledger
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
try:
    open_ledger(sys.argv[1]).write("part-00", b"x" * 1_000_000, 1)
except StoreError as error:
    print(error)
"""
    told = subprocess.run([sys.executable, "-c", code, str(tmp_path)], stdout=-1, text=True, check=True)
    assert "the store cannot be used" in told.stdout
    assert "space left" in told.stdout
    assert ledger.read("part-00") == Document(1, b"before")
    assert ledger.write("part-00", b"after", 1)


def test_a_folder_that_must_not_be_written_is_one_clear_line_and_can_be_read() -> None:
    """By somebody who is not root, for whom nothing is read-only."""
    code = """
import os, tempfile
from pathlib import Path
from flowdiag.errors import StoreError
from flowdiag.watch.ledgers.folder import FolderLedger
with tempfile.TemporaryDirectory() as folder:
    os.chmod(folder, 0o755)
    ledger = FolderLedger(Path(folder))
    ledger.write("part-00", b"one", 0)
    for path in sorted(Path(folder).rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    if os.geteuid() == 0:
        os.seteuid(65534)
    print(ledger.versions(), ledger.read("part-00").content)
    try:
        ledger.write("part-00", b"two", 1)
    except StoreError as error:
        print(error)
    os.seteuid(os.getuid())
    for path in sorted(Path(folder).rglob("*")):
        path.chmod(0o755)
"""
    told = subprocess.run([sys.executable, "-c", code], stdout=-1, text=True, check=True)
    known, refused = told.stdout.splitlines()
    assert known == "{'part-00': 1} b'one'"
    assert "the store cannot be used" in refused
    assert "permissions" in refused


def test_what_a_writer_holds_for_too_long_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("flowdiag.watch.ledgers.folder.PATIENCE_S", 0.05)
    file = written(tmp_path)
    holder = sqlite3.connect(file, isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    with pytest.raises(StoreError, match="another process has been writing"):
        open_ledger(tmp_path).write("part-00", b"", 1)
    holder.execute("ROLLBACK")
    holder.close()


def test_other_files_of_the_bucket_are_no_documents(bucket: Any) -> None:
    with bucket.open_output_stream("flows/of-all/_flowdiag/stored.json") as file:
        file.write(b"{}")
    ledger = open_ledger(BUCKET)
    assert ledger.write("part-00", b"one", 0)
    assert ledger.versions() == {"part-00": 1}


def test_a_damaged_object_is_one_clear_line(bucket: Any) -> None:
    with bucket.open_output_stream(f"flows/of-all/{FOLDER}/part-00") as file:
        file.write(b"something else")
    ledger = open_ledger(BUCKET)
    with pytest.raises(StoreError, match=r"s3://flows/of-all: .*part-00: .* damaged; remove that object"):
        ledger.read("part-00")


def test_a_put_whose_answer_was_lost_is_known_for_ones_own(
    bucket: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The client puts again, and is refused because of itself."""
    import obstore

    put = obstore.put

    def twice(*words: Any, **named: Any) -> Any:
        put(*words, **named)
        return put(*words, **named)

    ledger = open_ledger(BUCKET)
    assert ledger.write("part-00", b"one", 0)
    monkeypatch.setattr(obstore, "put", twice)
    assert ledger.write("part-00", b"two", 1)
    assert ledger.write("part-01", b"one", 0)
    monkeypatch.setattr(obstore, "put", put)
    assert ledger.write("part-00", b"three", 2)
    assert ledger.versions() == {"part-00": 3, "part-01": 1}


def test_a_store_that_takes_what_either_of_two_writers_puts_is_refused(
    bucket: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    import obstore

    put = obstore.put
    monkeypatch.setattr(
        obstore, "put", lambda *words, **named: put(*words, **(named | {"mode": "overwrite"}))
    )
    with pytest.raises(StoreError, match="does not refuse one of two writers"):
        open_ledger(BUCKET).write("part-00", b"", 0)


def test_a_bucket_that_is_not_there_is_one_clear_line(bucket: Any) -> None:
    ledger = open_ledger("s3://nowhere/flows")
    for do in (ledger.versions, lambda: ledger.read("a"), lambda: ledger.write("a", b"", 0)):
        with pytest.raises(StoreError, match="s3://nowhere/flows: the store cannot be used") as raised:
            do()
        assert "\n" not in str(raised.value)


def test_the_same_bucket_is_reached_by_what_the_address_says(
    bucket: Any, server: dict[str, str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Without the environment: user, password and server in the address; then by a file of credentials."""
    assert open_ledger(BUCKET).write("part-00", b"one", 0)
    for name in ("AWS_ENDPOINT_URL", "AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_DEFAULT_REGION"):
        monkeypatch.delenv(name)
    place = server["AWS_ENDPOINT_URL"].removeprefix("http://")
    monkeypatch.setenv("AWS_SESSION_TOKEN", "of another user")
    address = f"s3://user:pass%2Fword@flows/of-all?region=eu-west-1&scheme=http&endpoint_override={place}"
    assert open_ledger(address).read("part-00") == Document(1, b"one")
    assert "pass" not in open_ledger(address)._name  # type: ignore[attr-defined]
    keys = tmp_path / "credentials"
    keys.write_text("[mine]\naws_access_key_id = a\naws_secret_access_key = b\n")
    monkeypatch.setenv("AWS_SHARED_CREDENTIALS_FILE", str(keys))
    monkeypatch.setenv("AWS_PROFILE", "mine")
    address = f"s3://flows/of-all/?scheme=http&endpoint_override={place}"
    assert open_ledger(address).versions() == {"part-00": 1}


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("hdfs://host/flows", "not in hdfs://"),
        ("s3://u:secret@flows/all?retries=3", "not by the option retries"),
    ],
)
def test_what_is_not_supported_is_said(address: str, told: str) -> None:
    with pytest.raises(StoreError, match=told) as raised:
        open_ledger(address)
    assert "secret" not in str(raised.value)


def test_an_address_is_taken_apart() -> None:
    assert address_of("gs://anonymous@flows/a/b/")[:5] == ("gs", "flows", "a/b", "anonymous", None)
    assert address_of("s3://flows")[:5] == ("s3", "flows", "", None, None)
    assert address_of("S3://k%2B:s%40@flows/a")[:5] == ("s3", "flows", "a", "k+", "s@")


def test_a_bucket_without_its_package_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(buckets, "find_spec", lambda name: None)
    with pytest.raises(FlowdiagError, match=r'pip install "flowdiag\[watch\]"'):
        open_ledger("s3://flows/all")


def test_the_ledger_is_light(tmp_path: Path) -> None:
    """The desk's server opens it, and loads no Arrow."""
    code = """
import sys
from flowdiag.watch.ledgers.opening import open_ledger
from flowdiag.watch import holding
open_ledger(sys.argv[1]).write("a", b"", 0)
print(sorted({"pyarrow", "numpy", "pandas", "obstore"} & set(sys.modules)))
"""
    told = subprocess.run([sys.executable, "-c", code, str(tmp_path)], stdout=-1, text=True, check=True)
    assert told.stdout.strip() == "[]"
