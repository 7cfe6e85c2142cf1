"""Write the saturation tables in `rigctl/refrigerant/tables` from CoolProp: `python -m rigctl.tablegen`.

A developer's tool: it needs the `tables` extra and nothing imports it at run time, because CoolProp has no
wheel for 32-bit boards and takes over a second to import. The nodes of a table are uniform in the logarithm
of pressure, from the dew pressure at -60 degC (or the triple point) to 0.9 of the critical pressure, and each
column is a twice-differentiable cubic spline, stored as values and slopes.

Sources: reference equations of state for pure refrigerants, Lemmon's pseudo-pure equations for R-404A,
R-407C, R-410A and R-507A, and mixture models for R-454B and R-513A, all as implemented in CoolProp 8.0.0.
The mixture models do not converge at some pressures, nor at the temperatures that belong to them; there the
nodes are interpolated between the converged nodes and the points of CoolProp's phase envelope, and the header
of the table names them.
"""

from __future__ import annotations

import argparse
import math
import random
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import CoolProp
import numpy as np

from rigctl.refrigerant import catalogue
from rigctl.refrigerant.saturation import Refrigerant

T0_K = 273.15
LOWEST_DEGC = -60.0
HIGHEST_FRACTION_OF_CRITICAL = 0.9
LARGEST_STEP = 0.042
"""Of ln p between nodes; with it the densities of every refrigerant stay well inside 0.05 %."""
RANDOM_POINTS = 1000
SEED = 20240601
TABLES = Path(__file__).parent / "refrigerant" / "tables"


@dataclass(frozen=True)
class Fluid:
    """How CoolProp names a refrigerant and which kind of model it has for it."""

    coolprop: str
    kind: str = "pure"
    """"pure", "pseudo-pure" (one equation for the blend) or "mixture"."""


FLUIDS: dict[str, Fluid] = {
    "R-12": Fluid("R12"),
    "R-22": Fluid("R22"),
    "R-32": Fluid("R32"),
    "R-123": Fluid("R123"),
    "R-134a": Fluid("R134a"),
    "R-152a": Fluid("R152A"),
    "R-290": Fluid("n-Propane"),
    "R-404A": Fluid("R404A", "pseudo-pure"),
    "R-407C": Fluid("R407C", "pseudo-pure"),
    "R-410A": Fluid("R410A", "pseudo-pure"),
    "R-454B": Fluid("R454B.mix", "mixture"),
    "R-507A": Fluid("R507A", "pseudo-pure"),
    "R-513A": Fluid("R513A.mix", "mixture"),
    "R-600a": Fluid("IsoButane"),
    "R-744": Fluid("CarbonDioxide"),
    "R-1234yf": Fluid("R1234yf"),
    "R-1234ze(E)": Fluid("R1234ze(E)"),
}

COLUMNS: dict[str, str] = {
    "T_BUBBLE_DEGC": "bubble temperature",
    "T_DEW_DEGC": "dew temperature",
    "RHO_LIQUID_KG_M3": "density of the saturated liquid (bubble line)",
    "LN_RHO_VAPOR": "natural logarithm of the density in kg/m3 of the saturated vapor (dew line)",
    "H_LIQUID_J_KG": "enthalpy of the saturated liquid, 200 kJ/kg at 0 degC",
    "H_VAPOR_J_KG": "enthalpy of the saturated vapor, on the same zero",
}


@dataclass(frozen=True)
class Errors:
    """Largest error of a table against CoolProp at random points, relative (0.0001 is 0.01 %).

    The vapor enthalpy and the liquid enthalpy are relative to the heat of evaporation at the same pressure.
    """

    bubble_pressure: float
    dew_pressure: float
    liquid_density: float
    vapor_density: float
    enthalpy: float
    points: int
    """Points compared; fewer than asked where the blend model did not converge."""


def _state(fluid: Fluid) -> Any:
    return CoolProp.AbstractState(  # type: ignore[attr-defined]
        "HEOS", fluid.coolprop
    )


def _critical(state: Any, fluid: Fluid) -> tuple[float, float, float]:
    """Critical temperature in K, pressure in Pa and density in kg/m3."""
    if fluid.kind != "mixture":
        return state.T_critical(), state.p_critical(), state.rhomass_critical()
    # A mixture model also finds an unstable root at negative pressure.
    point = max((c for c in state.all_critical_points() if c.stable), key=lambda c: c.p)
    return point.T, point.p, point.rhomolar * state.molar_mass()


def _pq(state: Any, p_pa_abs: float, quality: float) -> tuple[float, float, float] | None:
    """Temperature in degC, density and enthalpy on the saturation line; None where the model fails."""
    try:
        state.update(CoolProp.PQ_INPUTS, p_pa_abs, quality)
    except ValueError:
        return None
    return state.T() - T0_K, state.rhomass(), state.hmass()


def _envelope(state: Any, quality: float) -> list[tuple[float, tuple[float, float, float]]]:
    """One side of a mixture's phase envelope as (ln p, (degC, kg/m3, J/kg))."""
    state.build_phase_envelope("")
    data = state.get_phase_envelope_data()
    top = int(np.argmax(data.p))
    side = range(top) if quality == 1.0 else range(top + 1, len(data.p))
    molar_mass = state.molar_mass()
    # CoolProp calls the phase with the mixture's own composition "vap" on both sides.
    return [
        (
            math.log(data.p[i]),
            (data.T[i] - T0_K, data.rhomolar_vap[i] * molar_mass, data.hmolar_vap[i] / molar_mass),
        )
        for i in side
    ]


def _line(fluid: Fluid, log_p: np.ndarray[Any, Any], quality: float) -> tuple[np.ndarray[Any, Any], list[int]]:
    """Temperature, density and enthalpy at each node of a saturation line, and the nodes that were filled."""
    state = _state(fluid)
    known = [_pq(state, math.exp(x), quality) for x in log_p]
    holes = [i for i, values in enumerate(known) if values is None]
    if holes:
        points = {float(x): v for x, v in zip(log_p, known, strict=True) if v is not None}
        step = float(log_p[1] - log_p[0])
        for x, values in _envelope(_state(fluid), quality):
            near_a_hole = any(abs(x - log_p[i]) < 4 * step for i in holes)
            near_a_node = any(abs(x - y) < 0.1 * step for y in points)
            if near_a_hole and not near_a_node:
                points[x] = values
        x_known = np.array(sorted(points))
        y_known = np.array([points[x] for x in x_known])
        for i in list(holes):
            t_degc, density, enthalpy = (_spline_at(x_known, y_known[:, k], float(log_p[i])) for k in range(3))
            solved = _solve_temperature(state, float(log_p[i]), quality, t_degc)
            known[i] = solved or (t_degc, density, enthalpy)
            if solved:
                holes.remove(i)
    return np.array(known, dtype=float), holes


def _solve_temperature(
    state: Any, log_p: float, quality: float, guess_degc: float
) -> tuple[float, float, float] | None:
    """What `_pq` asks, by varying the temperature; converges at some pressures where `_pq` fails."""
    t, t_before, excess_before = guess_degc, guess_degc + 0.01, math.nan
    for _ in range(8):
        found = _saturated(state, t, quality)
        if found is None:
            return None
        excess = math.log(found[0]) - log_p
        if abs(excess) < 1e-11:
            return t, found[1], found[2]
        # 0.02 per kelvin is near enough for the first of the secant's steps.
        slope = 0.02 if math.isnan(excess_before) else (excess - excess_before) / (t - t_before)
        t, t_before, excess_before = t - excess / slope, t, excess
    return None


def spline_slopes(x: np.ndarray[Any, Any], y: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Slopes at the nodes of the cubic spline with continuous second derivative (not-a-knot ends)."""
    n = len(x)
    h = np.diff(x)
    secant = np.diff(y) / h
    matrix = np.zeros((n, n))
    right = np.zeros(n)
    for i in range(1, n - 1):
        matrix[i, i - 1 : i + 2] = h[i], 2 * (h[i - 1] + h[i]), h[i - 1]
        right[i] = 3 * (h[i] * secant[i - 1] + h[i - 1] * secant[i])
    # Third derivative continuous at the second and at the last node but one.
    for row, first, second in ((0, 0, 1), (n - 1, n - 2, n - 3)):
        a, b = h[first], h[second]
        end, inner = (0, 1) if row == 0 else (n - 1, n - 2)
        matrix[row, end], matrix[row, inner] = b, a + b
        right[row] = ((3 * a + 2 * b) * b * secant[first] + a * a * secant[second]) / (a + b)
    return np.linalg.solve(matrix, right)


def _spline_at(x: np.ndarray[Any, Any], y: np.ndarray[Any, Any], at: float) -> float:
    slopes = spline_slopes(x, y)
    i = min(max(int(np.searchsorted(x, at)) - 1, 0), len(x) - 2)
    h = x[i + 1] - x[i]
    u = (at - x[i]) / h
    a, b, da, db = y[i], y[i + 1], slopes[i] * h, slopes[i + 1] * h
    return float(a + u * (da + u * (3 * (b - a) - 2 * da - db + u * (2 * (a - b) + da + db))))


def _range(state: Any, fluid: Fluid) -> tuple[float, float]:
    """Lowest and highest pressure of the table, Pa absolute."""
    _, critical_pa, _ = _critical(state, fluid)
    lowest_k = LOWEST_DEGC + T0_K
    if fluid.kind == "pure":
        # CoolProp answers below the triple point without complaint.
        lowest_k = max(lowest_k, state.Ttriple() + 1e-6)
    state.update(CoolProp.QT_INPUTS, 1.0, lowest_k)
    return state.p(), HIGHEST_FRACTION_OF_CRITICAL * critical_pa


def _enthalpy_zero(state: Any) -> float:
    state.update(CoolProp.QT_INPUTS, 0.0, T0_K)
    return float(state.hmass()) - 200e3


def table_source(refrigerant: str) -> str:
    """Text of the Python module that holds the table of a refrigerant, its measured errors in the header."""
    fluid = FLUIDS[refrigerant]
    state = _state(fluid)
    p_min, p_max = _range(state, fluid)
    critical_k, critical_pa, critical_density = _critical(state, fluid)
    zero = _enthalpy_zero(state)
    nodes = math.ceil(math.log(p_max / p_min) / LARGEST_STEP) + 1
    log_p = np.linspace(math.log(p_min), math.log(p_max), nodes)
    step = float(log_p[1] - log_p[0])
    liquid, liquid_holes = _line(fluid, log_p, 0.0)
    vapor, vapor_holes = _line(fluid, log_p, 1.0)
    for line in (liquid, vapor):
        if np.any(np.diff(line[:, 0]) <= 0):
            raise ValueError(f"{refrigerant}: saturation temperature does not rise with pressure at every node")
    columns = {
        "T_BUBBLE_DEGC": liquid[:, 0],
        "T_DEW_DEGC": vapor[:, 0],
        "RHO_LIQUID_KG_M3": liquid[:, 1],
        "LN_RHO_VAPOR": np.log(vapor[:, 1]),
        "H_LIQUID_J_KG": liquid[:, 2] - zero,
        "H_VAPOR_J_KG": vapor[:, 2] - zero,
    }
    body = [
        "# fmt: off",
        f"MOLAR_MASS_KG_MOL = {state.molar_mass():.8g}",
        f"CRITICAL_DEGC = {critical_k - T0_K:.7g}",
        f"CRITICAL_PA_ABS = {critical_pa:.7g}",
        f"CRITICAL_DENSITY_KG_M3 = {critical_density:.6g}",
        f"LN_P_FIRST = {log_p[0]:.14g}",
        f"LN_P_STEP = {step:.14g}",
    ]
    for name, values in columns.items():
        if name == "T_DEW_DEGC" and fluid.kind == "pure":
            body += ["T_DEW_DEGC, T_DEW_DEGC_SLOPE = T_BUBBLE_DEGC, T_BUBBLE_DEGC_SLOPE"]
            continue
        slopes = spline_slopes(log_p, values) * step
        body += [f"# {COLUMNS[name]}", f"{name} = (", *_rows(values), ")"]
        body += ["# its change per step of ln p", f"{name}_SLOPE = (", *_rows(slopes), ")"]

    table = ModuleType(catalogue.module_name(refrigerant))
    exec("\n".join(body), table.__dict__)
    errors = measure_errors(refrigerant, table=catalogue.build(refrigerant, table))
    about = [
        f"Source: CoolProp {CoolProp.__version__}, {fluid.kind} model {fluid.coolprop!r}.",
        f"Range: {p_min / 1e5:.5g} to {p_max / 1e5:.5g} bar abs; bubble {liquid[0, 0]:.2f} to "
        f"{liquid[-1, 0]:.2f} degC, dew {vapor[0, 0]:.2f} to {vapor[-1, 0]:.2f} degC; {nodes} nodes.",
        f"Largest error at {errors.points} random points where the model converges, relative: bubble "
        f"pressure {errors.bubble_pressure:.1e}, dew pressure {errors.dew_pressure:.1e}, liquid density "
        f"{errors.liquid_density:.1e}, vapor density {errors.vapor_density:.1e}; enthalpies "
        f"{errors.enthalpy:.1e} of the heat of evaporation.",
    ]
    for name, holes in (("bubble", liquid_holes), ("dew", vapor_holes)):
        bars = ", ".join(f"{math.exp(log_p[i]) / 1e5:.2f}" for i in holes) or "none"
        about.append(f"Filled nodes of the {name} line, bar abs: {bars}.")
    title = f'"""Saturation table of {refrigerant}, generated by `python -m rigctl.tablegen`; do not edit.'
    return "\n".join([title, "", *_wrap(about), '"""', "", *body]) + "\n"


def _wrap(sentences: list[str]) -> list[str]:
    wrapped: list[str] = []
    for sentence in sentences:
        line = ""
        for word in sentence.split():
            if len(line) + len(word) > 105:
                wrapped.append(line.rstrip())
                line = ""
            line += word + " "
        wrapped.append(line.rstrip())
    return wrapped


def _rows(numbers: np.ndarray[Any, Any]) -> list[str]:
    rows = [""]
    for number in numbers:
        text = f"{float(number):.10g}"
        text += "" if any(mark in text for mark in ".en") else ".0"
        if len(rows[-1]) + len(text) + 2 > 108:
            rows.append("")
        rows[-1] += ("    " if not rows[-1] else " ") + text + ","
    return rows


def measure_errors(
    refrigerant: str, points: int = RANDOM_POINTS, seed: int = SEED, table: Refrigerant | None = None
) -> Errors:
    """Largest errors of a table (the packaged one unless given) against CoolProp at random points.

    Temperatures are drawn uniformly over the range of the table; at each the pressure and the density of both
    saturation lines are compared, and the enthalpies at CoolProp's own pressure.
    """
    table = table or catalogue.get(refrigerant)
    fluid = FLUIDS[refrigerant]
    state = _state(fluid)
    zero = _enthalpy_zero(state)
    rng = random.Random(seed)
    low, high = table.temperature_range_degc
    worst = {"pb": 0.0, "pd": 0.0, "rl": 0.0, "rv": 0.0, "h": 0.0}
    compared = 0

    def note(key: str, error: float) -> None:
        # `not <=` so that a NaN from the table shows as the worst error instead of vanishing.
        if not error <= worst[key]:
            worst[key] = error

    for _ in range(points):
        t_degc = rng.uniform(low, high)
        bubble = _saturated(state, t_degc, 0.0)
        dew = _saturated(state, t_degc, 1.0)
        compared += bubble is not None and dew is not None
        if bubble is not None:
            p, rho, h = bubble
            note("pb", abs(table.bubble_pressure_pa_abs(t_degc) / p - 1))
            note("rl", abs(table.liquid_density_kg_m3(t_degc) / rho - 1))
            latent = table.vapor_enthalpy_j_kg(p) - table.liquid_enthalpy_j_kg(p)
            if p <= table.p_max_pa_abs:
                note("h", abs(table.liquid_enthalpy_j_kg(p) - (h - zero)) / latent)
        if dew is not None:
            p, rho, h = dew
            note("pd", abs(table.dew_pressure_pa_abs(t_degc) / p - 1))
            if table.p_min_pa_abs <= p <= table.p_max_pa_abs:
                note("rv", abs(table.vapor_density_kg_m3(p) / rho - 1))
                latent = table.vapor_enthalpy_j_kg(p) - table.liquid_enthalpy_j_kg(p)
                note("h", abs(table.vapor_enthalpy_j_kg(p) - (h - zero)) / latent)
    return Errors(worst["pb"], worst["pd"], worst["rl"], worst["rv"], worst["h"], compared)


def _saturated(state: Any, t_degc: float, quality: float) -> tuple[float, float, float] | None:
    """Pressure, density and enthalpy at a saturation temperature; None where the model fails."""
    try:
        state.update(CoolProp.QT_INPUTS, quality, t_degc + T0_K)
    except ValueError:
        return None
    return state.p(), state.rhomass(), state.hmass()


def superheated_error(refrigerant: str, points: int = 300, seed: int = SEED) -> float:
    """Largest relative error of `superheated_density_kg_m3` for 0 to 60 K superheat up to 10 bar absolute.

    The draw is uniform in the logarithm of pressure, from 5 kPa.
    """
    table = catalogue.get(refrigerant)
    state = _state(FLUIDS[refrigerant])
    rng = random.Random(seed)
    top = min(10e5, table.p_max_pa_abs)
    worst = 0.0
    state.specify_phase(CoolProp.iphase_gas)
    for _ in range(points):
        p = math.exp(rng.uniform(math.log(5e3), math.log(top)))
        dew = table.dew_temperature_degc(p)
        t_degc = (LOWEST_DEGC if math.isnan(dew) else dew) + rng.uniform(0.1, 60.0)
        try:
            state.update(CoolProp.PT_INPUTS, p, t_degc + T0_K)
        except ValueError:
            continue
        error = abs(table.superheated_density_kg_m3(p, t_degc) / state.rhomass() - 1)
        if not error <= worst:
            worst = error
    return worst


def write(refrigerant: str, folder: Path = TABLES) -> Path:
    """Write one table and return its path."""
    path = folder / f"{catalogue.module_name(refrigerant)}.py"
    path.write_text(table_source(refrigerant), encoding="utf-8")
    return path


def main() -> None:
    """Write the tables named on the command line, or all of them."""
    parser = argparse.ArgumentParser(description="Write the saturation tables from CoolProp.")
    parser.add_argument("refrigerants", nargs="*", metavar="REFRIGERANT", help="for example R-410A; all if none")
    for refrigerant in parser.parse_args().refrigerants or FLUIDS:
        write(refrigerant)


if __name__ == "__main__":
    main()
