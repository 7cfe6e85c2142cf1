"""The mutation command: that its mutants are what they should be, that it goes on where it ended, and ten for real."""

import random
import time

import pytest

from tests.mutate import __main__ as command
from tests.mutate.engine import mutants

SOURCE = b'''"""Doc."""
LIMIT = 2.0


def f(a: int = 1, *, b=True):
    """Doc."""
    c = a + 2
    if not a < c <= 3 and b:
        c -= 1
    return c >= 0
'''


def made(source=SOURCE):
    return {(one.line, one.what): one.applied(source).decode().splitlines() for one in mutants(source)}


@pytest.mark.parametrize(
    ("line", "what", "left"),
    [
        (2, "constant changed to 2.4", "LIMIT = 2.4"),
        (5, "constant changed to 0", "def f(a: int = 0, *, b=True):"),
        (5, "constant changed", "def f(a: int = 1, *, b=False):"),
        (7, "arithmetic turned into -", "    c = ((a) - (2))"),
        (7, "constant changed to 1", "    c = a + 1"),
        (7, "statement removed", "    pass"),
        (8, "turned into or", "    if ((not a < c <= 3) or (b)):"),
        (8, "condition negated", "    if (not (not a < c <= 3 and b)):"),
        (8, "comparison 1 turned into <=", "    if not ((a) <= (c) <= (3)) and b:"),
        (8, "comparison 2 turned into <", "    if not ((a) < (c) < (3)) and b:"),
        (8, "not removed", "    if (a < c <= 3) and b:"),
        (9, "arithmetic turned into +", "        c += 1"),
        (10, "comparison turned into >", "    return ((c) > (0))"),
        (10, "comparison turned into <", "    return ((c) < (0))"),
        (10, "returned condition negated", "    return (not (c >= 0))"),
    ],
)  # fmt: skip
def test_each_operator_changes_its_one_place_and_no_other_line(line, what, left):
    lines, whole = made()[line, what], SOURCE.decode().splitlines()
    # Brackets more or fewer say the same.
    assert lines[line - 1].replace("((", "(").replace("))", ")") == left.replace("((", "(").replace("))", ")")
    assert lines[: line - 1] + lines[line:] == whole[: line - 1] + whole[line:]


def test_docstrings_annotations_and_definitions_are_left_alone_and_no_mutant_comes_twice():
    found = mutants(SOURCE)
    assert {one.line for one in found} == {2, 5, 7, 8, 9, 10}
    assert len({one.key(SOURCE) for one in found}) == len(found)
    assert not any(one.applied(SOURCE) == SOURCE for one in found)


def test_every_room_has_modules_tests_and_mutants():
    for name, (_, tests) in command.ROOMS.items():
        assert list(command.modules(name)) and all(
            (command.REPO / one).exists() for one in tests if one.endswith(".py")
        )
        assert next(command.all_of(name), None) is not None


# ---- going on -------------------------------------------------------------------------------------------


@pytest.fixture
def small(tmp_path, monkeypatch):
    """A tree with one room, in which a mutant takes no time."""
    (tmp_path / "repo/tests").mkdir(parents=True)
    (tmp_path / "repo/room.py").write_bytes(SOURCE)
    (tmp_path / "repo/tests/of_it.py").write_text("first")
    ran = []

    def passes(tree, arguments, limit_s):
        source = (tree / "room.py").read_bytes()
        ran.append(source)
        return source == SOURCE or b"LIMIT = 2.4" in source

    monkeypatch.setattr(command, "REPO", tmp_path / "repo")
    monkeypatch.setattr(command, "COPIED", ("room.py", "tests"))
    monkeypatch.setattr(command, "ROOMS", {"small": (("room.py",), ("tests/of_it.py",))})
    monkeypatch.setattr(command, "passes", passes)
    return tmp_path, ran


def test_a_second_call_runs_only_what_the_first_left_and_survivors_whose_tests_have_changed(small):
    folder, ran = small
    room = command.Room("small", folder)
    room.judge(room.mutants[:4], float("inf"))
    assert len(ran) == 5, "the tests without a mutant come first"
    again = command.Room("small", folder)
    again.judge(again.mutants, float("inf"))
    assert len(ran) == 5 + 1 + len(room.mutants) - 4 and len(set(ran)) == len(room.mutants) + 1
    ran.clear()
    again.judge(again.mutants, float("inf"))
    assert not ran
    (folder / "repo/tests/of_it.py").write_text("second")
    third = command.Room("small", folder)
    third.judge(third.mutants, float("inf"))
    assert len(ran) == 2 and b"LIMIT = 2.4" in ran[1]


def test_a_budget_that_is_spent_runs_nothing(small):
    folder, ran = small
    room = command.Room("small", folder)
    room.judge(room.mutants, time.monotonic() - 1.0)
    assert not ran


def test_a_survivor_is_asked_its_reason_and_a_written_one_is_taken(small, capsys):
    folder, _ = small
    room, file = command.Room("small", folder), folder / "survivors.toml"
    room.judge(room.mutants, float("inf"))
    file.write_text("")
    assert command.tell([room], file) == 1
    assert "room.py:2: constant changed to 2.4: LIMIT = 2.0" in capsys.readouterr().out
    entry = '[[survivor]]\nroom = "small"\nline = "LIMIT = 2.0"\nmutation = "constant changed to 2.4"\nreason = "{}"\n'
    file.write_text(entry.format(" "))
    assert command.tell([room], file) == 1, "an empty reason is none"
    file.write_text(entry.format("nothing reads it"))
    assert command.tell([room], file) == 0


def test_every_written_reason_belongs_to_a_mutant_that_there_is():
    for room, line, what in command.reasons():
        assert any((one.text, one.what) == (line, what) for _, one, _ in command.all_of(room)), (room, line, what)


# ---- for real --------------------------------------------------------------------------------------------


def test_ten_mutants_of_the_gate_and_the_sequence_are_noticed_or_have_their_reason(tmp_path, capsys):
    rooms = [command.Room(name, tmp_path) for name in ("gate", "sequence")]
    for room in rooms:
        chosen = random.Random(20).sample(room.mutants, 5)
        room.judge(chosen, float("inf"))
        assert all(room.outcome(key) for *_, key in chosen)
    assert command.tell(rooms) == 0, capsys.readouterr().out
