"""Tuned figures: each says where it comes from, one name has one meaning, and a study can vary every one of them."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from math import inf, isfinite
from pathlib import Path
from typing import Any

import msgspec
import pytest

import rigctl
from rigctl import scan
from rigctl.advice.figures import AdviceFigures, Finish
from rigctl.control.figures.figures import Figures, UnknownFigureError, changed
from rigctl.control.prepare import FIGURES
from rigctl.control.protect.table import INDEX
from rigctl.control.readings import RequestKind
from rigctl.control.vocabulary import Phase
from tests.strategies import SHOP, Puppet

ROOT = Path(rigctl.__file__).parent
FILES = (*sorted((ROOT / "control/figures").glob("*.py")), ROOT / "advice/figures.py")
COMPOSING = {"Sense", "Protect", "Procedure", "Remedies", "AdviceFigures", "Figures"}
"""They hold structs, not figures."""
PHYSICAL = {
    "rigctl/control/sense/restrictions.py": {"ORIFICE_M2_PER_KV": "unit factor, IEC 60534-2-1"},
}
"""Numbers of the core that nobody tunes, and why. Atmosphere, 0 degC in K and units of the trade stand in
`rigctl/refrigerant/saturation.py`."""
BIT_MASKS = "rigctl/control/points.py"


def structs(path: Path) -> Iterator[tuple[str, list[ast.stmt]]]:
    for node in ast.parse(path.read_text()).body:
        if isinstance(node, ast.ClassDef) and any(ast.unparse(base).endswith("Struct") for base in node.bases):
            yield node.name, node.body


def figures_of(body: list[ast.stmt]) -> Iterator[tuple[str, str, str]]:
    """Name, default and docstring of each field."""
    for statement, after in zip(body, [*body[1:], None], strict=True):
        if isinstance(statement, ast.AnnAssign):
            said = after.value if isinstance(after, ast.Expr) else None
            text = said.value if isinstance(said, ast.Constant) and isinstance(said.value, str) else ""
            default = "" if statement.value is None else ast.unparse(statement.value)
            yield ast.unparse(statement.target), default, " ".join(text.split())


ALL = [
    (path.name, struct, *figure)
    for path in FILES
    for struct, body in structs(path)
    if struct not in COMPOSING
    for figure in figures_of(body)
]


def test_every_figure_says_what_it_is_and_then_where_it_comes_from() -> None:
    assert len(ALL) > 150, "the syntax tree was read"
    for file, struct, name, default, text in ALL:
        place = f"{file}, {struct}.{name}"
        assert default, f"{place} has no default"
        meaning, found, origin = text.partition(" From: ")
        assert found, f"{place} does not say where it comes from"
        assert len(meaning) > 8 and meaning.endswith((".", "?")), f"{place}: {meaning}"
        assert len(origin) > 4 and origin.endswith("."), f"{place}: {origin}"


def test_composing_structs_hold_structs_alone_so_that_no_figure_goes_without_its_sentence() -> None:
    for kind in (Figures, AdviceFigures, *(type(getattr(FIGURES, room)) for room in FIGURES.__struct_fields__)):
        assert kind.__name__ in COMPOSING
        for name in kind.__struct_fields__:
            assert isinstance(getattr(kind(), name), msgspec.Struct), f"{kind.__name__}.{name}"


def test_no_name_stands_for_two_values() -> None:
    where: dict[str, tuple[str, str]] = {}
    for file, struct, name, default, _ in ALL:
        other, value = where.setdefault(name, (f"{file}, {struct}", default))
        assert value == default, f"{name} is {value} in {other} and {default} in {file}, {struct}"


def numbers(path: Path) -> Iterator[str]:
    """Names in capitals that a module gives to a number, or to a tuple of numbers, at its top level."""
    for node in ast.parse(path.read_text()).body:
        if not (isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None and numeric(node.value)):
            continue
        for target in node.targets if isinstance(node, ast.Assign) else [node.target]:
            for one in target.elts if isinstance(target, ast.Tuple) else [target]:
                if ast.unparse(one).isupper():
                    yield ast.unparse(one)


def numeric(node: ast.expr) -> bool:
    if isinstance(node, ast.Constant):
        return isinstance(node.value, int | float) and not isinstance(node.value, bool)
    if isinstance(node, ast.UnaryOp):
        return numeric(node.operand)
    if isinstance(node, ast.BinOp):
        return numeric(node.left) or numeric(node.right)
    if isinstance(node, ast.Tuple):
        return bool(node.elts) and all(numeric(one) for one in node.elts)
    return isinstance(node, ast.Name) and node.id in ("inf", "nan", "pi")


def test_no_module_of_the_core_keeps_a_number_of_its_own() -> None:
    seen: dict[str, set[str]] = {}
    for path in (*ROOT.glob("control/**/*.py"), *ROOT.glob("advice/**/*.py")):
        place = path.relative_to(ROOT.parent).as_posix()
        if place != BIT_MASKS and (found := set(numbers(path))):
            seen[place] = found
    assert seen == {place: set(names) for place, names in PHYSICAL.items()}


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("A_S = 3.0", ["A_S"]),
        ("A_S: float = -1e3", ["A_S"]),
        ("A, B_K = 1, 2.0", ["A", "B_K"]),
        ("_A = (1.0, inf)", ["_A"]),
        ("A = ((1.0, 2), (3, 4.0))", ["A"]),
        ("A_KG = 200 * POUND_KG", ["A_KG"]),
        ("A_1 = 0.5", ["A_1"]),
        ("A = 'x'", []),
        ("A = True", []),
        ("A = Struct()", []),
        ("a = 1.0", []),
        ("A = (P.X, P.Y)", []),
        ("A = ()", []),
    ],
)
def test_a_number_is_found_however_it_is_written(text: str, found: list[str], tmp_path: Path) -> None:
    (tmp_path / "module.py").write_text(text)
    assert list(numbers(tmp_path / "module.py")) == found


def test_physical_constants_and_unit_factors_stand_once() -> None:
    known = (101325, 273.15, 8.314462618, 6894.757, 3386.389, 0.45359237)
    places = [
        path.relative_to(ROOT).as_posix()
        for room in ("control", "advice", "refrigerant")
        for path in ROOT.glob(f"{room}/**/*.py")
        if path.parent.name != "tables"
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Constant) and node.value in known
    ]
    assert places == len(known) * ["refrigerant/saturation.py"]


# --- a study


@pytest.fixture(scope="module")
def given() -> list[Any]:
    """What a rig reads in a short job."""

    class Heard(Puppet):
        def readings(self, *asked: Any) -> Any:
            read = super().readings(*asked)
            heard.append(read)
            return read

    heard: list[Any] = []
    rig = Heard(SHOP)
    rig.wait(1.0)
    rig.ask(RequestKind.START)
    rig.to(Phase.COMPLETE)
    return heard


@pytest.fixture(scope="module")
def plain(given: list[Any]) -> list[Any]:
    """What the core makes of it with the figures as they are, none being named."""
    return course(scan.prepare(SHOP), given)


def course(prepared: scan.Prepared, given: list[Any]) -> list[Any]:
    """Of every scan its phase, its outputs, and what else it says, to the bit."""
    state, said = scan.initial(prepared), []
    for readings in given:
        state, outputs, record = scan.step(state, readings, prepared)
        said.append((record.phase, outputs, msgspec.msgpack.encode(record.estimate)))
    return said


def test_figures_as_they_are_give_the_same_job_as_none(given: list[Any], plain: list[Any]) -> None:
    same = changed(FIGURES, "sense.crossing.better_times", FIGURES.sense.crossing.better_times)
    for figures in (FIGURES, Figures(), same):
        assert course(scan.prepare(SHOP, figures), given) == plain


@pytest.mark.parametrize(
    ("name", "value", "moves"),
    [
        ("sense.liquid_end.enough_score", 1.9, True),
        ("sense.compressor.reed_valve_pa", 6e3, True),
        ("sense.fill.vapor_factor", 0.8, False),
        ("sense.weight.flow_walk_kg2_s3", 1e-6, False),
        ("procedure.line_up.connected_strokes", 8.0, True),
        ("procedure.clear_out.shut_strokes", 12.0, True),
    ],
)
def test_one_figure_changed_gives_another_job(
    name: str, value: float, moves: bool, given: list[Any], plain: list[Any]
) -> None:
    other = course(scan.prepare(SHOP, changed(FIGURES, name, value)), given)
    assert [estimate for _, _, estimate in other] != [estimate for _, _, estimate in plain]
    differ = [(phase, outputs) for phase, outputs, _ in other] != [(phase, outputs) for phase, outputs, _ in plain]
    assert differ or not moves, "what it decides differs, not only what it says"


def test_the_delay_of_a_row_follows_its_figure() -> None:
    late = scan.prepare(SHOP, changed(FIGURES, "protect.scale.falling_delay_s", 4.0))
    row = INDEX["WT-301.falling"]
    assert (late.delays_s[row], scan.prepare(SHOP).delays_s[row]) == (4.0, 1.0)


def test_a_figure_of_advice_changed_tells_otherwise_and_moves_nothing(given: list[Any], plain: list[Any]) -> None:
    advice = AdviceFigures(finish=Finish(isolate_high_s=9.0))
    other = course(scan.prepare(SHOP, advice=advice), given)
    assert [estimate for _, _, estimate in other] != [estimate for _, _, estimate in plain]
    assert [(phase, outputs) for phase, outputs, _ in other] == [(phase, outputs) for phase, outputs, _ in plain]


def test_nothing_of_a_study_stays_behind(given: list[Any], plain: list[Any]) -> None:
    course(scan.prepare(SHOP, changed(FIGURES, "sense.liquid_end.enough_score", 0.1)), given)
    assert course(scan.prepare(SHOP), given) == plain


def test_a_change_is_made_in_a_copy_and_in_one_place() -> None:
    study = changed(FIGURES, "sense.crossing.better_times", 1.5)
    assert study.sense.crossing.better_times == 1.5 and FIGURES.sense.crossing.better_times == 1.1
    assert changed(study, "sense.crossing.better_times", 1.1) == FIGURES
    assert study.sense.fill is FIGURES.sense.fill


@pytest.mark.parametrize(
    ("name", "near"),
    [
        ("sense.crossing.better_time", "sense.crossing.better_times"),
        ("crossing.better_times", "sense.crossing.better_times"),
        ("sense.crossing", ""),
        ("sense.crossing.better_times.real", "sense.crossing.better_times"),
        ("", ""),
    ],
)
def test_a_figure_that_is_not_there_is_told_in_one_sentence(name: str, near: str) -> None:
    with pytest.raises(UnknownFigureError) as told:
        changed(FIGURES, name, 1.0)
    text = str(told.value)
    assert f'"{name}"' in text and near in text and text.endswith(".") and "\n" not in text
    assert isinstance(told.value, LookupError)


def test_defaults_are_plain_numbers() -> None:
    for _, struct in ((room, getattr(FIGURES, room)) for room in FIGURES.__struct_fields__):
        for subject in struct.__struct_fields__:
            for value in msgspec.structs.astuple(getattr(struct, subject)):
                flat = value if isinstance(value, tuple) else (value,)
                for one in flat:
                    for number in one if isinstance(one, tuple) else (one,):
                        assert isfinite(number) or number == inf
