"""Generate the property tables the plant ships with, from CoolProp. Run by hand: ``python -m hil_sim.plant.tablegen``.

One row per pressure, uniform in ln(pressure), from 500 Pa to 0.98 of the critical pressure. The plant
itself never imports CoolProp: blends are too slow or fail there, and arrays make a run reproducible.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import Any

import CoolProp
import numpy as np
from CoolProp import CoolProp as cp  # noqa: N813  (a module, not a class)
from numpy.typing import NDArray

from hil_sim.plant.oil import ESTER_FITS, fitted_mass_fraction, surrogate_mass_fraction

Array = NDArray[np.float64]

SOURCES = {
    "R-22": "R22",
    "R-32": "R32",
    "R-134a": "R134a",
    "R-12": "R12",
    "R-123": "R123",
    "R-290": "Propane",
    "R-600a": "IsoButane",
    "R-1234yf": "R1234yf",
    "R-410A": "R410A",
    "R-404A": "R404A",
    "R-407C": "R407C",
    "R-454B": "R454B.mix",
}
"""Where each refrigerant comes from: reference equation, pseudo-pure equation, or mixture model."""

PRESSURES = 1001
COARSE = 8
SUPERHEATS = 17
SUPERHEAT_STEP_K = 15.0
PRESSURE_MIN_PA = 500.0
OIL_TEMPERATURES_K = np.linspace(233.15, 393.15, 33)
OIL_ROOT_REDUCED_PRESSURES = np.linspace(0.0, 1.0, 41)


def _state(source: str) -> Any:
    if source.endswith(".mix"):
        whole = cp.AbstractState("HEOS", "R32&R1234yf")
        # 68.9 / 31.1 % by mass, the definition of R-454B (ASHRAE 34).
        mass = np.array([0.689, 0.311])
        molar = np.array([cp.PropsSI("M", name) for name in ("R32", "R1234yf")])
        moles = mass / molar
        whole.set_mole_fractions(list(moles / moles.sum()))
        return whole
    return cp.AbstractState("HEOS", source)


def _critical(source: str) -> tuple[float, float]:
    if source.endswith(".mix"):
        # Estimated values; the mixture model gives no critical point in reasonable time.
        return 351.0, 5.27e6
    return float(cp.PropsSI("Tcrit", source)), float(cp.PropsSI("pcrit", source))


def _fill_holes(x: Array, y: Array) -> Array:
    good = np.isfinite(y)
    filled = np.asarray(np.interp(x, x[good], y[good]))
    last = np.flatnonzero(good)[-6:]
    end = np.polyval(np.polyfit(x[last], y[last], 1), x)
    # The few rows beyond the last good one go straight on.
    filled[last[-1] + 1 :] = y[last[-1]] + (end - end[last[-1]])[last[-1] + 1 :]
    return filled


def _saturation(state: Any, pressures_pa: Array, low_ok: NDArray[np.bool_]) -> dict[str, Array]:
    """Bubble and dew properties; holes of the mixture model are filled by interpolation."""
    names = ("t_f", "t_g", "v_f", "v_g", "u_f", "u_g", "c_f")
    out = {name: np.full(len(pressures_pa), np.nan) for name in names}
    for i, p in enumerate(pressures_pa):
        if not low_ok[i]:
            continue
        for q, suffix in ((0.0, "f"), (1.0, "g")):
            try:
                state.update(cp.PQ_INPUTS, float(p), q)
            except ValueError:
                continue
            out["t_" + suffix][i] = state.T()
            out["v_" + suffix][i] = 1.0 / state.rhomass()
            out["u_" + suffix][i] = state.umass()
            if q == 0.0:
                out["c_f"][i] = state.cpmass()
    log_p = np.log(pressures_pa)
    use = low_ok
    for name in names:
        y = out[name]
        # A mixture flash may return a wrong root without complaint: drop points that break the neighbours' trend.
        smooth = np.log(y) if name[0] in "vc" else y
        slope = np.diff(smooth)
        middle = np.nanmedian(np.abs(slope))
        for i in range(1, len(y) - 1):
            if np.isfinite(smooth[i - 1 : i + 2]).all():
                bend = abs(smooth[i + 1] - 2 * smooth[i] + smooth[i - 1])
                if bend > 2.0 * middle and log_p[i] < log_p[-1] - 0.2:
                    smooth[i] = np.nan
        filled = _fill_holes(log_p[use], smooth[use])
        y[use] = np.exp(filled) if name[0] in "vc" else filled
    return out


def _extend_down(table: dict[str, Array], pressures_pa: Array, first: int, gas_constant: float) -> None:
    """Below the range of the equation of state: Clausius-Clapeyron, constant heat capacities, constant Z."""
    if first == 0:
        return
    j = first + 5
    log_p = np.log(pressures_pa)
    for phase in "fg":
        t = table["t_" + phase]
        slope = (1.0 / t[j] - 1.0 / t[first]) / (log_p[j] - log_p[first])
        t[:first] = 1.0 / (1.0 / t[first] + slope * (log_p[:first] - log_p[first]))
        du = (table["u_" + phase][j] - table["u_" + phase][first]) / (t[j] - t[first])
        table["u_" + phase][:first] = table["u_" + phase][first] + du * (t[:first] - t[first])
    dv = (table["v_f"][j] - table["v_f"][first]) / (table["t_f"][j] - table["t_f"][first])
    table["v_f"][:first] = table["v_f"][first] + dv * (table["t_f"][:first] - table["t_f"][first])
    z = pressures_pa[first] * table["v_g"][first] / (gas_constant * table["t_g"][first])
    table["v_g"][:first] = z * gas_constant * table["t_g"][:first] / pressures_pa[:first]
    table["c_f"][:first] = table["c_f"][first]


def _single_phase(state: Any, v: float, t: float) -> tuple[float, float]:
    state.update(cp.DmassT_INPUTS, 1.0 / v, t)
    return float(state.umass()), float(state.p())


def _liquid(state: Any, table: dict[str, Array], first: int) -> tuple[Array, Array]:
    """Slopes dT/du and dP/du at constant volume, as chords over 2.5 K (about +15 bar)."""
    count = len(table["t_f"])
    a, g = np.full(count, np.nan), np.full(count, np.nan)
    state.specify_phase(cp.iphase_liquid)
    for i in range(first, count):
        try:
            u0, p0 = _single_phase(state, table["v_f"][i], table["t_f"][i])
            u1, p1 = _single_phase(state, table["v_f"][i], table["t_f"][i] + 2.5)
        except ValueError:
            continue
        if u1 > u0 and p1 > p0:
            a[i], g[i] = 2.5 / (u1 - u0), (p1 - p0) / (u1 - u0)
    state.unspecify_phase()
    index = np.arange(count, dtype=float)
    return _fill_holes(index, a), _fill_holes(index, g)


def _gas(state: Any, table: dict[str, Array], first: int, step_j_kg: float, molar_kg: float) -> tuple[Array, Array]:
    """Mean (T - Tdew)/w and (P - Pdew)*v/w against dew pressure and internal energy w above dew."""
    nodes = range(0, len(table["t_g"]), COARSE)
    a = np.full((len(nodes), SUPERHEATS), np.nan)
    b = np.full((len(nodes), SUPERHEATS), np.nan)
    w_nodes = step_j_kg * np.arange(SUPERHEATS)
    state.specify_phase(cp.iphase_gas)
    for k, i in enumerate(nodes):
        if i < first:
            continue
        v, t_dew = table["v_g"][i], table["t_g"][i]
        u0, p0 = _single_phase(state, v, t_dew)
        rows = []
        for dt in (0.05, *np.arange(4.0, 330.0, 4.0)):
            try:
                u1, p1 = _single_phase(state, v, t_dew + dt)
            except ValueError:
                break
            rows.append((u1 - u0, dt / (u1 - u0), (p1 - p0) * v / (u1 - u0)))
        w, aa, bb = np.array(rows).T
        a[k] = np.interp(w_nodes, w, aa)
        b[k] = np.interp(w_nodes, w, bb)
    state.unspecify_phase()
    for k in range(len(nodes) - 1, -1, -1):
        if not np.isfinite(a[k]).all():
            a[k], b[k] = a[k + 1], b[k + 1]
    return a, b


def _oil(refrigerant: str, source: str, state: Any) -> tuple[Array, Array]:
    """Saturation pressure and equilibrium mass fraction in oil over temperature and sqrt(reduced pressure)."""
    psat = np.full(len(OIL_TEMPERATURES_K), np.nan)
    w = np.zeros((len(OIL_TEMPERATURES_K), len(OIL_ROOT_REDUCED_PRESSURES)))
    for i, t in enumerate(OIL_TEMPERATURES_K):
        try:
            state.update(cp.QT_INPUTS, 0.0, float(t))
            psat[i] = state.p()
        except ValueError:
            pass
    good = np.isfinite(psat)
    # Above the critical point and below the equation's range: straight on in ln p against 1/T.
    inverse = 1.0 / OIL_TEMPERATURES_K
    log_p = np.full(len(psat), np.nan)
    log_p[good] = np.log(psat[good])
    first, last = np.flatnonzero(good)[[0, -1]]
    low = (log_p[first + 2] - log_p[first]) / (inverse[first + 2] - inverse[first])
    high = (log_p[last] - log_p[last - 2]) / (inverse[last] - inverse[last - 2])
    log_p[:first] = log_p[first] + low * (inverse[:first] - inverse[first])
    log_p[last + 1 :] = log_p[last] + high * (inverse[last + 1 :] - inverse[last])
    log_p = _fill_holes(OIL_TEMPERATURES_K, log_p)
    parts = {
        "R-134a": (("R134a", "R-134a/PEB8", 1.0),),
        "R-32": (("R32", "R-32/PEB8", 1.0),),
        # Each component by its own partial pressure (mole fractions of the blend): an approximation.
        "R-410A": (("R32", "R-32/PEB8", 0.698), ("R125", "R-125/PEB8", 0.302)),
    }.get(refrigerant, ())
    for i, t in enumerate(OIL_TEMPERATURES_K):
        for j, root in enumerate(OIL_ROOT_REDUCED_PRESSURES):
            pr = float(root) ** 2
            if not parts:
                w[i, j] = surrogate_mass_fraction(pr)
                continue
            free = 0.0
            for fluid, fit, mole_fraction in parts:
                # The component's own liquid density, held below its critical point.
                t_liquid = min(float(t), 0.97 * cp.PropsSI("Tcrit", fluid))
                own = cp.PropsSI("P", "T", t_liquid, "Q", 0, fluid)
                density = cp.PropsSI("D", "T", t_liquid, "Q", 0, fluid)
                share = mole_fraction * pr * math.exp(log_p[i]) / own
                part = fitted_mass_fraction(ESTER_FITS[fit], min(share, 0.95), float(t), density)
                free += part / (1.0 - part)
            w[i, j] = free / (1.0 + free)
    return np.exp(log_p), w


def generate(refrigerant: str) -> dict[str, Array | str]:
    """Build all arrays of one refrigerant; see the module docstring for what the rows are."""
    source = SOURCES[refrigerant]
    state = _state(source)
    t_critical_k, p_critical_pa = _critical(source)
    # The mixture flash degrades near its critical point.
    top = 0.83 if source.endswith(".mix") else 0.98
    log_p = np.linspace(math.log(PRESSURE_MIN_PA), math.log(top * p_critical_pa), PRESSURES)
    pressures = np.exp(log_p)
    if source.endswith(".mix"):
        p_low = 12e3
    else:
        t_low = max(state.Tmin(), cp.PropsSI("Ttriple", source)) + 0.5
        # Bubble pressure: the dew line of a blend is still inside the range of the equation there.
        state.update(cp.QT_INPUTS, 0.0, t_low)
        p_low = max(state.p(), 600.0)
    low_ok = pressures >= p_low
    first = int(np.flatnonzero(low_ok)[0])
    table = _saturation(state, pressures, low_ok)
    molar_kg = float(state.molar_mass())
    _extend_down(table, pressures, first, 8.314462618 / molar_kg)
    a_l, g_l = _liquid(state, table, first)
    state.specify_phase(cp.iphase_gas)
    state.update(cp.PT_INPUTS, 20e3, 298.15)
    cv, k_gas = float(state.cvmass()), float(state.cpmass() / state.cvmass())
    state.unspecify_phase()
    step = cv * SUPERHEAT_STEP_K
    a_g, b_g = _gas(state, table, first, step, molar_kg)
    psat_oil, w_oil = _oil(refrigerant, source, state)
    columns = [table[name] for name in ("t_f", "t_g", "v_f", "v_g", "u_f", "u_g", "c_f")]
    saturation = np.column_stack([*columns, a_l, g_l])
    if not np.isfinite(saturation).all():
        raise ValueError(f"{refrigerant}: holes in the saturation table")
    for name, rises in (("t_f", True), ("t_g", True), ("v_f", True), ("v_g", False), ("u_f", True)):
        step_sign = np.diff(table[name]) * (1.0 if rises else -1.0)
        if not (step_sign > 0.0).all():
            raise ValueError(f"{refrigerant}: {name} is not monotonic at rows {np.flatnonzero(step_sign <= 0)}")
    return {
        "log_p": log_p,
        "saturation": np.ascontiguousarray(saturation),
        "gas_a": np.ascontiguousarray(a_g),
        "gas_b": np.ascontiguousarray(b_g),
        "scalars": np.array([step, k_gas, molar_kg, t_critical_k, p_critical_pa]),
        "oil_temperature_k": OIL_TEMPERATURES_K,
        "oil_psat_pa": psat_oil,
        "oil_mass_fraction": np.ascontiguousarray(w_oil),
        "source": f"CoolProp {CoolProp.__version__} {source}",
    }


def main() -> None:
    """Write ``data/<refrigerant>.npz`` for every refrigerant, or for those named on the command line."""
    folder = Path(__file__).parent / "data"
    folder.mkdir(exist_ok=True)
    for refrigerant in sys.argv[1:] or SOURCES:
        np.savez_compressed(folder / f"{refrigerant}.npz", allow_pickle=False, **generate(refrigerant))
        sys.stdout.write(f"{refrigerant} written\n")


if __name__ == "__main__":
    main()
