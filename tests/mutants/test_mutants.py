"""The mutants themselves: what is changed, which tests look, and that what is known to change nothing still stands there."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.mutants.__main__ import ROOT, all_mutants, equivalents, main
from tests.mutants.making import mutants_of
from tests.mutants.running import Copy, Runner, SoundTimes, Work
from tests.mutants.touching import Imports

PROGRAM = """\
def limit(value: int) -> int:
    \"\"\"The value, no more than ten.\"\"\"
    return min(value, 10)
"""
TESTS = """\
from flowdiag.limiting import limit

def test_a_large_value_is_cut():
    assert limit(99) == 10

def test_a_small_value_stays():
    assert limit(3) == 3
"""
ENDLESS = """\
def limit(value):
    while value > 10:
        value -= 1
    return value
"""


def changes(source: str) -> list[str]:
    return [mutant.change for mutant in mutants_of(source)]


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("x = a < b", ["a < b -> a <= b", "a < b -> a >= b"]),
        ("x = a <= b == c", ["a <= b == c -> a < b == c", "a <= b == c -> a <= b != c", "a <= b == c -> a > b == c"]),
        ("x = a + b", ["a + b -> a - b"]),
        ("x = a * b", ["a * b -> a // b"]),
        ("x = a // b", ["a // b -> a * b"]),
        ("x = a & b", ["a & b -> a | b"]),
        ("x = a and b or c", ["a and b -> a or b", "a and b or c -> (a and b) and c"]),
        ("x = not a", ["not a -> a"]),
        ("x = 7", ["7 -> 6", "7 -> 8"]),
        ("x = True", ["True -> False"]),
        ("x = min(a, b)", ["min(a, b) -> max(a, b)"]),
        ("x = np.maximum.reduceat(a, b)", ["np.maximum.reduceat(a, b) -> np.minimum.reduceat(a, b)"]),
        ("a.sort()", ["a.sort() -> pass"]),
        ("a[b] = c", ["a[b] = c -> pass"]),
        ("a += b", ["a += b -> pass"]),
    ],
)  # fmt: skip
def test_each_kind_of_change(source: str, expected: list[str]) -> None:
    assert sorted(changes(source)) == sorted(expected)


@pytest.mark.parametrize(
    "source",
    ['"""Words."""', "x = a", "x: Literal[1]", 'x = f"{a + 1}"', 'x = "a" + b', "@dataclass(frozen=True)\nclass A:\n    ..."],
)  # fmt: skip
def test_what_is_left_alone(source: str) -> None:
    assert changes(source) == []


def test_a_mutant_differs_at_its_place_only() -> None:
    source = "é = 1\nx = [a <\n     b, 2]\n"
    assert [mutant.applied(source) for mutant in mutants_of(source) if mutant.line == 2 and mutant.after != "2"] == [
        "é = 1\nx = [(a <= b), 2]\n",
        "é = 1\nx = [(a >= b), 2]\n",
    ]  # fmt: skip


def test_all_mutants_are_programs() -> None:
    for module, mutant in all_mutants(
        ["flowdiag/aggregator/same_packets.py", "flowdiag/collector/decode/sampling.py"]
    ):
        compile(mutant.applied((ROOT / module).read_text(encoding="utf-8")), str(module), "exec")


def checkout(folder: Path, program: str = PROGRAM) -> Path:
    """A program of one module, with its tests."""
    root = folder / "checkout"
    for package in ("flowdiag", "tests"):
        (root / package).mkdir(parents=True)
        (root / package / "__init__.py").touch()
    (root / "flowdiag" / "limiting.py").write_text(program)
    (root / "tests" / "test_limiting.py").write_text(TESTS)
    (root / "tests" / "test_other.py").write_text("import flowdiag\n")
    (root / "pyproject.toml").write_text('[tool.pytest.ini_options]\nmarkers = ["slow"]\n')
    return root


def test_tests_are_found_by_their_imports_the_one_with_the_name_first() -> None:
    found = Imports(ROOT).tests_of(Path("flowdiag/aggregator/spread.py"))
    assert found[0] == Path("tests/aggregator/test_spread.py")
    assert {Path("tests/aggregator/test_strays.py"), Path("tests/diagnoser/test_floods.py")} & {*found} == {
        Path("tests/aggregator/test_strays.py")
    }
    assert all((ROOT / path).is_file() for path in found)


def test_mutants_die_or_survive_in_a_copy(tmp_path: Path) -> None:
    root = checkout(tmp_path)
    module, tests = Path("flowdiag/limiting.py"), Imports(root).tests_of(Path("flowdiag/limiting.py"))
    assert tests == [Path("tests/test_limiting.py")]
    runner = Runner(root, tmp_path / "copies", 1)
    works = [Work(module, mutant, tuple(tests), 60.0) for mutant in (None, *mutants_of(PROGRAM))]
    ends = {work.mutant.change if work.mutant else "sound": end.code for work, end in runner.run(works)}
    assert ends == {"sound": 0, "min(value, 10) -> max(value, 10)": 1, "10 -> 9": 1, "10 -> 11": 1}
    assert (root / module).read_text() == PROGRAM
    assert not list(root.rglob("*.pyc"))


def test_what_never_ends_is_ended(tmp_path: Path) -> None:
    root = checkout(tmp_path, ENDLESS)
    (endless,) = [mutant for mutant in mutants_of(ENDLESS) if mutant.change == "value -= 1 -> pass"]
    runner = Runner(root, tmp_path / "copies", 1)
    works = [Work(Path("flowdiag/limiting.py"), endless, (Path("tests/test_limiting.py"),), 3.0)]
    ((_, ended),) = runner.run(works)
    assert ended.code < 0


def test_tests_are_taken_while_they_last_no_longer_than_allowed(tmp_path: Path) -> None:
    root = checkout(tmp_path)
    slow = root / "tests" / "test_slow.py"
    slow.write_text("import time\n\ndef test_slow():\n    while time.process_time() < 60:\n        pass\n")
    paths = [path.relative_to(root) for path in (slow, root / "tests" / "test_limiting.py")]
    chosen, took = SoundTimes(Runner(root, tmp_path / "copies", 1), 3.0).within(paths)
    assert chosen == (Path("tests/test_limiting.py"),)
    assert 0 < took < 3


def test_a_copy_leaves_out_what_no_test_reads(tmp_path: Path) -> None:
    root = checkout(tmp_path)
    (root / ".git").mkdir()
    (root / ".mypy_cache").mkdir()
    assert sorted(path.name for path in Copy(root, tmp_path / "copy").root.iterdir()) == [
        "flowdiag", "pyproject.toml", "tests"
    ]  # fmt: skip


def test_the_same_seed_takes_the_same_mutants(capsys: pytest.CaptureFixture[str]) -> None:
    def listed(seed: int) -> str:
        main(["--list", "--sample", "20", "--seed", str(seed), "--only", "flowdiag/aggregator/spread.py"])
        return capsys.readouterr().out

    assert listed(3) == listed(3) != listed(4)
    assert listed(3).endswith("20 mutants\n")


def test_what_is_known_to_change_nothing_still_stands_there_with_a_reason() -> None:
    there = {
        (str(path.relative_to(ROOT)), mutant.text, mutant.change)
        for file in {file for file, *_ in equivalents()}
        for path in [ROOT / file]
        for mutant in mutants_of(path.read_text(encoding="utf-8"))
    }
    for place, why in equivalents().items():
        assert place in there
        assert len(why.split()) > 3, place
