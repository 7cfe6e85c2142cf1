"""The refrigerants this project knows: reviewed facts of each, and `get` to have one by name."""

from __future__ import annotations

from importlib import import_module
from typing import cast

from rigctl.refrigerant.saturation import Facts, Refrigerant, Table, from_table


class UnknownRefrigerantError(ValueError):
    """No table for this name; the message is one sentence with the nearest known names."""


_GWP_AR4 = {
    "R-12": 10900.0, "R-22": 1810.0, "R-32": 675.0, "R-123": 77.0, "R-125": 3500.0, "R-134a": 1430.0,
    "R-143a": 4470.0, "R-152a": 124.0, "R-290": 3.0, "R-600a": 3.0, "R-744": 1.0, "R-1234yf": 4.0,
    "R-1234ze(E)": 7.0,
}  # fmt: skip
_GWP_AR5 = {
    "R-12": 10200.0, "R-22": 1760.0, "R-32": 677.0, "R-123": 79.0, "R-125": 3170.0, "R-134a": 1300.0,
    "R-143a": 4800.0, "R-152a": 138.0, "R-290": 3.0, "R-600a": 3.0, "R-744": 1.0, "R-1234yf": 1.0,
    "R-1234ze(E)": 1.0,
}  # fmt: skip

_AR4_LAW = "AR4 GWP of R-32, R-125, R-134a and R-143a: 42 USC 7675(c)"
_AR5_MEMORY = "AR5 GWP: IPCC AR5, from memory"
_CLASS_TABLE = "class: comparison table citing ASHRAE 34"
_CLASS_MEMORY = "class: ASHRAE 34, from memory"
_BLEND = "GWP mass-weighted over the composition (ASHRAE 34)"

_HIGH_R32 = (
    "R-32 reaches 359 psia at 104 degF, 1 % above the 355 psia line to very high pressure, which is itself "
    "quoted from memory of 40 CFR 82.152; entered as high pressure, which asks a deeper level from 200 lb up "
    "and the same below."
)


def _facts(
    name: str,
    safety_class: str,
    evacuation_class: str,
    source: str,
    *,
    lfl_kg_m3: float | None = None,
    note: str = "",
    composition: dict[str, float] | None = None,
) -> Facts:
    parts = composition or {name: 1.0}
    return Facts(
        name=name,
        safety_class=safety_class,
        evacuation_class=evacuation_class,
        evacuation_note=note,
        gwp_ar4=sum(_GWP_AR4[part] * share for part, share in parts.items()),
        gwp_ar5=sum(_GWP_AR5[part] * share for part, share in parts.items()),
        lfl_kg_m3=lfl_kg_m3,
        composition=tuple((composition or {}).items()),
        source=f"{source}; {_AR5_MEMORY}",
    )


_YF = "AR4 GWP of R-1234yf: EU 517/2014, from memory; AR5 published as < 1, 1 used as the upper bound"

_FACTS = {
    facts.name: facts
    for facts in (
        _facts("R-12", "A1", "medium", f"{_CLASS_MEMORY}; AR4 GWP from memory"),
        _facts("R-22", "A1", "high", f"{_CLASS_TABLE}; AR4 GWP: EPA reference table"),
        _facts("R-32", "A2L", "high", f"{_CLASS_TABLE}, LFL as well; {_AR4_LAW}", lfl_kg_m3=0.31, note=_HIGH_R32),
        _facts("R-123", "B1", "low", f"{_CLASS_MEMORY}; AR4 GWP from memory"),
        _facts("R-134a", "A1", "medium", f"{_CLASS_TABLE}; {_AR4_LAW}"),
        _facts(
            "R-152a",
            "A2",
            "medium",
            f"{_CLASS_MEMORY}; LFL: ASHRAE 34, from memory; AR4 GWP from memory",
            lfl_kg_m3=0.130,
        ),
        _facts(
            "R-290",
            "A3",
            "high",
            f"{_CLASS_TABLE}, LFL as well; AR4 GWP: EU 517/2014, from memory",
            lfl_kg_m3=0.038,
        ),
        _facts(
            "R-404A",
            "A1",
            "high",
            f"{_CLASS_TABLE}; {_BLEND}; {_AR4_LAW}",
            composition={"R-125": 0.44, "R-143a": 0.52, "R-134a": 0.04},
        ),
        _facts(
            "R-407C",
            "A1",
            "high",
            f"{_CLASS_TABLE}; {_BLEND}; {_AR4_LAW}",
            composition={"R-32": 0.23, "R-125": 0.25, "R-134a": 0.52},
        ),
        _facts(
            "R-410A",
            "A1",
            "high",
            f"{_CLASS_TABLE}; {_BLEND}; {_AR4_LAW}",
            composition={"R-32": 0.5, "R-125": 0.5},
        ),
        _facts(
            "R-454B",
            "A2L",
            "high",
            f"{_CLASS_TABLE}; LFL: the same table gives 0.35, others 0.30 (from memory), which is used as "
            f"the safer; {_BLEND}; {_AR4_LAW}; {_YF}",
            lfl_kg_m3=0.30,
            composition={"R-32": 0.689, "R-1234yf": 0.311},
        ),
        _facts(
            "R-507A",
            "A1",
            "high",
            f"{_CLASS_MEMORY}; {_BLEND}; {_AR4_LAW}",
            composition={"R-125": 0.5, "R-143a": 0.5},
        ),
        _facts(
            "R-513A",
            "A1",
            "medium",
            f"{_CLASS_MEMORY}; {_BLEND}; {_AR4_LAW}; {_YF}",
            composition={"R-1234yf": 0.56, "R-134a": 0.44},
        ),
        _facts(
            "R-600a",
            "A3",
            "medium",
            f"{_CLASS_MEMORY}; LFL: ASHRAE 34, from memory; AR4 GWP: EU 517/2014, from memory",
            lfl_kg_m3=0.043,
        ),
        _facts(
            "R-744",
            "A1",
            "very_high",
            f"{_CLASS_MEMORY}; GWP 1 by definition",
            note="Its critical temperature, 31.0 degC, is below 104 degF.",
        ),
        _facts("R-1234yf", "A2L", "medium", f"{_CLASS_TABLE}, LFL as well; {_YF}", lfl_kg_m3=0.29),
        _facts(
            "R-1234ze(E)",
            "A2L",
            "medium",
            f"{_CLASS_MEMORY}; LFL: ASHRAE 34, from memory; AR4 GWP: EU 517/2014, from memory; AR5 published "
            "as < 1, 1 used as the upper bound",
            lfl_kg_m3=0.303,
        ),
    )
}

_by_name: dict[str, Refrigerant] = {}


def names() -> tuple[str, ...]:
    """Names of all refrigerants with a table, as ASHRAE 34 writes them."""
    return tuple(_FACTS)


def official(name: str) -> str:
    """Return a refrigerant's name as ASHRAE 34 writes it.

    Case, spaces, hyphens and the leading "R" do not matter: "R-410A", "r410a" and "410A" are the same.

    Raises
    ------
    UnknownRefrigerantError
        When there is no such refrigerant; the sentence names the nearest known ones.
    """
    if name in _FACTS:
        return name
    key = _key(name)
    known = {_key(known): known for known in _FACTS}
    if key not in known:
        raise UnknownRefrigerantError(_unknown(name, key, known))
    return known[key]


def get(name: str) -> Refrigerant:
    """Return a refrigerant by name; the table is imported on first use and kept.

    Case, spaces, hyphens and the leading "R" do not matter: "R-410A", "r410a" and "410A" are the same.

    Raises
    ------
    UnknownRefrigerantError
        When there is no such refrigerant; the sentence names the nearest known ones.
    """
    found = _by_name.get(name)
    if found is None:
        known = official(name)
        found = _by_name.get(known)
        if found is None:
            found = build(known, cast(Table, import_module(f"rigctl.refrigerant.tables.{module_name(known)}")))
        _by_name[known] = found
    return found


def build(name: str, table: Table) -> Refrigerant:
    """Join the reviewed facts of a refrigerant, by its official name, with a table."""
    return from_table(_FACTS[name], table)


def module_name(official: str) -> str:
    """Name of the generated module: the table of "R-1234ze(E)" is `r1234ze_e`."""
    return official.lower().replace("-", "").replace("(", "_").replace(")", "")


def _key(name: str) -> str:
    kept = "".join(letter for letter in name.lower() if letter.isalnum())
    return kept.removeprefix("r")


def _unknown(name: str, key: str, known: dict[str, str]) -> str:
    # Equal distance: the order of the catalogue.
    nearest = sorted(known, key=lambda other: _distance(key, other))[:3]
    first, second, third = (known[other] for other in nearest)
    shown = name if len(name) <= 40 else name[:40] + "..."
    return f"There is no table for refrigerant {shown!r}; the nearest names are {first}, {second} and {third}."


def _distance(a: str, b: str) -> int:
    """Levenshtein's: least number of letters to insert, delete or replace."""
    row = list(range(len(b) + 1))
    for i, letter in enumerate(a[:40], 1):
        above_left, row[0] = row[0], i
        for j, other in enumerate(b, 1):
            above_left, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, above_left + (letter != other))
    return row[-1]
