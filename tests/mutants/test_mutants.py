"""The mutants themselves: what is changed, which tests look, and that what is known to change nothing still stands there."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.mutants.__main__ import ROOT, all_mutants, equivalents, main
from tests.mutants.choosing import Choice
from tests.mutants.making import Mutant, mutants_of
from tests.mutants.running import Copy, Runner, Work
from tests.mutants.touching import NOTES, SITUATIONS, Imports

PROGRAM = """\
MOST = 10

def limit(value: int) -> int:
    \"\"\"The value, no more than ten.\"\"\"
    return min(value, MOST)

def half(value: int) -> int:
    \"\"\"Half of an even value.\"\"\"
    if value % 2 == 1:
        raise ValueError(value)
    return value // 2

def twice(value: int) -> int:
    \"\"\"Nobody asks for it.\"\"\"
    return value * 2
"""
TESTS = """\
from flowdiag.limiting import half, limit

def test_a_large_value_is_cut():
    assert limit(99) == 10

def test_a_small_value_stays():
    assert limit(3) == 3

def test_half():
    assert half(4) == 2
"""
LOADS = "import flowdiag.limiting\nimport time\n\ndef test_limit():\n    flowdiag.limiting.limit(3)\n"
ENDLESS = """\
def limit(value):
    while value > 10:
        value -= 1
    return value

def half(value):
    return value // 2
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
    [
        '"""Words."""', "x = a", "x: Literal[1]", 'x = f"{a + 1}"', 'x = "a" + b', "x = zip(a, strict=True)",
        "@dataclass(frozen=True)\nclass A:\n    ...",
    ],
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


def names(tests: tuple[str, ...]) -> list[str]:
    return [test.partition("::")[2] for test in tests]


def mutant_of(source: str, change: str) -> Mutant:
    (found,) = [mutant for mutant in mutants_of(source) if mutant.change == change]
    return found


def test_tests_are_found_by_their_imports_the_one_with_the_name_first() -> None:
    imports = Imports(ROOT)
    found = imports.tests_of(Path("flowdiag/aggregator/spread.py"))
    assert found[0] == Path("tests/aggregator/test_spread.py")
    assert {Path("tests/aggregator/test_strays.py"), Path("tests/diagnoser/test_floods.py")} & {*found} == {
        Path("tests/aggregator/test_strays.py")
    }
    assert (NOTES in found, SITUATIONS in found) == (True, False)
    assert {NOTES, SITUATIONS} < {*imports.tests_of(Path("flowdiag/diagnoser/signals/losses.py"))}
    assert all((ROOT / path).is_file() for path in found)


def test_a_mutant_knows_by_which_lines_it_runs() -> None:
    source = """\
BOUND = 5
def f(a, b=1):
    if a > (
        2
    ):
        return a + 3
    match a:
        case 4 if b == 6:
            return 7
"""
    ran_by = {mutant.before: mutant.ran_by and [*mutant.ran_by] for mutant in mutants_of(source)}
    whole = [2, 3, 4, 5, 6, 7, 8, 9]
    assert {before: ran_by[before] for before in ("5", "1", "2", "3", "4", "6", "7")} == {
        "5": None, "1": whole, "2": [3, 4, 5], "3": [6], "4": [8], "6": [8], "7": [9],
    }  # fmt: skip


def test_each_mutant_gets_the_tests_that_come_by_its_line(tmp_path: Path) -> None:
    root, module = checkout(tmp_path), Path("flowdiag/limiting.py")
    constant = "from flowdiag.limiting import MOST\n\ndef test_it_is_there():\n    assert MOST\n"
    (root / "tests" / "test_constant.py").write_text(constant)
    choice = Choice(Runner(root, tmp_path / "copies", 1), Imports(root), [module], tmp_path)

    def of(change: str) -> set[str]:
        return {*names(choice.tests_of(module, mutant_of(PROGRAM, change), 60.0)[0])}

    limits = {"test_a_large_value_is_cut", "test_a_small_value_stays"}
    assert of("min(value, MOST) -> max(value, MOST)") == limits
    assert of("value // 2 -> value * 2") == {"test_half"}
    assert of("10 -> 9") == limits | {"test_half", "test_it_is_there"}
    # Nobody is seen to come by: it may run when the module is loaded.
    assert of("value * 2 -> value // 2") == of("10 -> 9")


def test_mutants_die_or_survive_in_a_copy(tmp_path: Path) -> None:
    root, module = checkout(tmp_path), Path("flowdiag/limiting.py")
    runner = Runner(root, tmp_path / "copies", 1)
    tests = tuple(f"tests/test_limiting.py::test_{name}" for name in ("a_large_value_is_cut", "half"))
    works = [Work(module, mutant, tests, 60.0) for mutant in mutants_of(PROGRAM) if mutant.line < 10]
    ends = {work.mutant.change: end.code for work, end in runner.run(works)}
    assert ends == {
        "10 -> 9": 1, "10 -> 11": 1, "min(value, MOST) -> max(value, MOST)": 1, "value % 2 == 1 -> value % 2 != 1": 1,
        "2 -> 1": 0, "2 -> 3": 1, "1 -> 0": 1, "1 -> 2": 0,
    }  # fmt: skip
    assert (root / module).read_text() == PROGRAM


def test_what_never_ends_is_ended(tmp_path: Path) -> None:
    root = checkout(tmp_path, ENDLESS)
    endless = mutant_of(ENDLESS, "value -= 1 -> pass")
    tests = ("tests/test_limiting.py::test_a_large_value_is_cut",)
    runner = Runner(root, tmp_path / "copies", 1)
    ((_, ended),) = runner.run([Work(Path("flowdiag/limiting.py"), endless, tests, 3.0)])
    assert ended.code < 0


def test_the_cheapest_tests_are_taken_while_they_last_no_longer_than_allowed(tmp_path: Path) -> None:
    root, module = checkout(tmp_path), Path("flowdiag/limiting.py")
    slow = "    until = time.process_time() + 1.5\n    while time.process_time() < until:\n        pass\n"
    (root / "tests" / "test_slow.py").write_text(LOADS + slow)
    choice = Choice(Runner(root, tmp_path / "copies", 1), Imports(root), [module], tmp_path)
    mutant = mutant_of(PROGRAM, "min(value, MOST) -> max(value, MOST)")
    chosen, took = choice.tests_of(module, mutant, 1.0)
    assert (len(chosen), took < 1.0) == (2, True)
    assert names(choice.tests_of(module, mutant, 9.0)[0])[2:] == ["test_limit"]


def test_a_test_that_fails_without_a_mutant_is_told(tmp_path: Path) -> None:
    root = checkout(tmp_path)
    (root / "tests" / "test_wrong.py").write_text(LOADS + "    assert False\n")
    runner = Runner(root, tmp_path / "copies", 1)
    with pytest.raises(SystemExit, match=r"tests/test_wrong\.py fails without a mutant"):
        Choice(runner, Imports(root), [Path("flowdiag/limiting.py")], tmp_path)


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
