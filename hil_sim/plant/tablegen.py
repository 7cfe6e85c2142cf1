"""Generate the property tables the plant ships with, from CoolProp. Run by hand: ``python -m hil_sim.plant.tablegen``.

One row per pressure, uniform in ln(pressure), from 500 Pa to 0.98 of the critical pressure. The plant
itself never imports CoolProp: blends are too slow or fail there, and arrays make a run reproducible.

Blends whose composition shifts get a second file: the same tables for a family of compositions of two
pseudo-components, "light" and "heavy", on one grid of pressures. CoolProp's mixture energies are consistent
across compositions; one offset linear in the light fraction (``c0 + c1 * light``) brings them near the base
table at 25 degC, and changes no balance, because the energy it adds is carried by the two masses. The heat of
mixing is what no straight line takes out; it stays in the tables. Saturated liquid of the members at 25 degC
departs from the line between the two end members by at most 22 J/kg (R-407C), 2.9 kJ/kg (R-454B) and 1.2 kJ/kg
(R-513A), or 0.01, 1.3 and 0.8 % of the latent heat. The ratio of R-32 to R-125 within the light part of R-407C
is held at its nominal value, though R-32 boils off first: latent heat and quality are up to 2 % off for that, and
the pressure of a cylinder three quarters of which was drawn off as vapor is 1.1 % high.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import Any, NamedTuple

import CoolProp
import numpy as np
from CoolProp import CoolProp as cp  # noqa: N813  (a module, not a class)
from numpy.typing import NDArray

from hil_sim.plant.oil import ESTER_FITS, fitted_mass_fraction, surrogate_mass_fraction
from hil_sim.plant.phase import COARSE, SUPERHEATS, T_F, U_F, U_G, load_tables

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
    "R-513A": "R513A.mix",
}
"""Where each refrigerant comes from: reference equation, pseudo-pure equation, or mixture model."""


class Mixture(NamedTuple):
    """A blend computed with CoolProp's mixture model."""

    fluids: tuple[str, ...]
    mass_fractions: tuple[float, ...]
    """Definition of the blend by ASHRAE 34."""
    t_critical_k: float
    """Estimated, as the next: the mixture model gives no critical point in reasonable time."""
    p_critical_pa: float
    p_low_pa: float
    """Below this pressure the rows are extrapolated."""


MIXTURES = {
    "R454B.mix": Mixture(("R32", "R1234yf"), (0.689, 0.311), 351.0, 5.27e6, 12e3),
    "R513A.mix": Mixture(("R1234yf", "R134a"), (0.56, 0.44), 368.0, 3.65e6, 2e3),
}


class FamilySource(NamedTuple):
    """What a family of compositions is computed from."""

    light: dict[str, float]
    """Fluids of the light pseudo-component, by mass within it."""
    heavy: dict[str, float]
    members: tuple[float, ...]
    """Mass fractions of light, rising."""
    nominal: float
    p_top_pa: float
    """Highest pressure of the grid: below the critical pressure of every member."""


FAMILIES = {
    "R-407C": FamilySource(
        {"R32": 23.0 / 48.0, "R125": 25.0 / 48.0},
        {"R134a": 1.0},
        (0.13, 0.20, 0.28, 0.38, 0.48, 0.58, 0.68, 0.76, 0.83),
        0.48,
        4.0e6,
    ),
    "R-454B": FamilySource(
        {"R32": 1.0}, {"R1234yf": 1.0}, (0.34, 0.41, 0.50, 0.59, 0.689, 0.77, 0.85, 0.92, 0.98), 0.689, 4.1e6
    ),
    # R-1234yf is the more volatile one at room temperature; above about 1 MPa the two change places.
    "R-513A": FamilySource(
        {"R1234yf": 1.0}, {"R134a": 1.0}, (0.21, 0.30, 0.39, 0.48, 0.56, 0.65, 0.74, 0.83, 0.91), 0.56, 3.1e6
    ),
}
"""Blends a family is made for. Members lie closer where the bubble line bends most."""

FAMILY_PRESSURES = 401
FAMILY_P_LOW_PA = 2e3
ALIGN_T_K = 298.15

PRESSURES = 1001
SUPERHEAT_STEP_K = 15.0
PRESSURE_MIN_PA = 500.0
OIL_TEMPERATURES_K = np.linspace(233.15, 393.15, 33)
OIL_ROOT_REDUCED_PRESSURES = np.linspace(0.0, 1.0, 41)


def _mixture_state(mass_fractions: dict[str, float]) -> Any:
    whole = cp.AbstractState("HEOS", "&".join(mass_fractions))
    moles = np.array([share / cp.PropsSI("M", name) for name, share in mass_fractions.items()])
    whole.set_mole_fractions(list(moles / moles.sum()))
    return whole


def _state(source: str) -> Any:
    if source in MIXTURES:
        mixture = MIXTURES[source]
        return _mixture_state(dict(zip(mixture.fluids, mixture.mass_fractions, strict=True)))
    return cp.AbstractState("HEOS", source)


def _critical(source: str) -> tuple[float, float]:
    if source in MIXTURES:
        return MIXTURES[source].t_critical_k, MIXTURES[source].p_critical_pa
    return float(cp.PropsSI("Tcrit", source)), float(cp.PropsSI("pcrit", source))


def _fill_holes(x: Array, y: Array) -> Array:
    good = np.isfinite(y)
    filled = np.asarray(np.interp(x, x[good], y[good]))
    last = np.flatnonzero(good)[-6:]
    end = np.polyval(np.polyfit(x[last], y[last], 1), x)
    # The few rows beyond the last good one go straight on.
    filled[last[-1] + 1 :] = y[last[-1]] + (end - end[last[-1]])[last[-1] + 1 :]
    return filled


def _drop_wrong_roots(t: Array, others: list[Array]) -> None:
    """Make holes where the temperature leaves the line through its neighbours by a fifth of a row's step."""
    limit = 0.2 * np.nanmedian(np.abs(np.diff(t)))
    while True:
        away = np.abs(t[2:] - 2.0 * t[1:-1] + t[:-2])
        if not np.isfinite(away).any() or np.nanmax(away) <= 2.0 * limit:
            return
        worst = int(np.nanargmax(away)) + 1
        for column in (t, *others):
            column[worst] = np.nan


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
    for suffix in "fg":
        _drop_wrong_roots(
            out["t_" + suffix], [out[name + suffix] for name in ("v_", "u_", "c_") if name + suffix in out]
        )
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


def _checked(name: str, table: dict[str, Array], a_l: Array, g_l: Array) -> Array:
    """Saturation table of all columns; ValueError where it has holes or turns back."""
    columns = [table[column] for column in ("t_f", "t_g", "v_f", "v_g", "u_f", "u_g", "c_f")]
    saturation = np.ascontiguousarray(np.column_stack([*columns, a_l, g_l]))
    if not np.isfinite(saturation).all():
        raise ValueError(f"{name}: holes in the saturation table")
    for column, rises in (("t_f", True), ("t_g", True), ("v_f", True), ("v_g", False), ("u_f", True)):
        step_sign = np.diff(table[column]) * (1.0 if rises else -1.0)
        if not (step_sign > 0.0).all():
            raise ValueError(f"{name}: {column} is not monotonic at rows {np.flatnonzero(step_sign <= 0)}")
    return saturation


def _vapor_light(state: Any, fluids: tuple[str, ...], light: dict[str, float], pressures_pa: Array) -> Array:
    """Light mass fraction of the vapor over saturated liquid; holes and low pressures filled in its logit."""
    molar = np.array([cp.PropsSI("M", name) for name in fluids])
    is_light = np.array([name in light for name in fluids])
    logit = np.full(len(pressures_pa), np.nan)
    for i, p in enumerate(pressures_pa):
        try:
            state.update(cp.PQ_INPUTS, float(p), 0.0)
        except ValueError:
            continue
        mass = np.array(state.mole_fractions_vapor()) * molar
        logit[i] = math.log(mass[is_light].sum() / mass[~is_light].sum())
    # A flash may return a wrong root without complaint; the true curve bends little from one row to the next.
    slope = np.diff(logit)
    middle = np.nanmedian(np.abs(slope))
    for i in range(1, len(logit) - 1):
        if abs(logit[i + 1] - 2.0 * logit[i] + logit[i - 1]) > 2.0 * middle + 1e-3:
            logit[i] = np.nan
    log_p = np.log(pressures_pa)
    first = int(np.flatnonzero(np.isfinite(logit) & (pressures_pa >= FAMILY_P_LOW_PA))[0])
    low = (logit[first + 5] - logit[first]) / (log_p[first + 5] - log_p[first])
    logit[first:] = _fill_holes(log_p[first:], logit[first:])
    logit[:first] = logit[first] + low * (log_p[:first] - log_p[first])
    return np.asarray(1.0 / (1.0 + np.exp(-logit)))


def generate_family(refrigerant: str) -> dict[str, Array | str]:
    """Build the family of compositions of a blend; see the module docstring.

    The base table of the blend must be shipped: energies are aligned to it at 25 degC.
    """
    family = FAMILIES[refrigerant]
    log_p = np.linspace(math.log(PRESSURE_MIN_PA), math.log(family.p_top_pa), FAMILY_PRESSURES)
    pressures = np.exp(log_p)
    low_ok = pressures >= FAMILY_P_LOW_PA
    first = int(np.flatnonzero(low_ok)[0])
    fluids = (*family.light, *family.heavy)

    def member(light: float) -> Any:
        shares = {name: light * share for name, share in family.light.items()}
        shares |= {name: (1.0 - light) * share for name, share in family.heavy.items()}
        return _mixture_state(shares)

    state = member(family.nominal)
    state.specify_phase(cp.iphase_gas)
    state.update(cp.PT_INPUTS, 20e3, 298.15)
    k_gas, step = float(state.cpmass() / state.cvmass()), float(state.cvmass()) * SUPERHEAT_STEP_K
    nominal_molar_kg = float(state.molar_mass())
    saturation, gas_a, gas_b, vapor, molar, u_align = [], [], [], [], [], []
    for light in family.members:
        state = member(light)
        molar_kg = float(state.molar_mass())
        table = _saturation(state, pressures, low_ok)
        _extend_down(table, pressures, first, 8.314462618 / molar_kg)
        a_l, g_l = _liquid(state, table, first)
        a_g, b_g = _gas(state, table, first, step, molar_kg)
        saturation.append(_checked(f"{refrigerant} with {light} light", table, a_l, g_l))
        gas_a.append(a_g)
        gas_b.append(b_g)
        vapor.append(_vapor_light(state, fluids, family.light, pressures))
        molar.append(molar_kg)
        u_align.append(np.interp(ALIGN_T_K, table["t_f"], table["u_f"]))
    lights, u = np.array(family.members), np.array(u_align)
    nominal = family.members.index(family.nominal)
    base = load_tables(refrigerant).sat
    # Nominal liquid at 25 degC as in the base table, the others as near to it as a straight line allows.
    away = lights - family.nominal
    c1 = -float(np.sum(away * (u - u[nominal])) / np.sum(away * away))
    offset = float(np.interp(ALIGN_T_K, base[:, T_F], base[:, U_F])) - u[nominal] + c1 * away
    whole = np.array(saturation)
    whole[:, :, [U_F, U_G]] += offset[:, None, None]
    return {
        "light": lights,
        "log_p": log_p,
        "saturation": whole,
        "gas_a": np.array(gas_a),
        "gas_b": np.array(gas_b),
        "vapor_light": np.array(vapor),
        "molar_kg": np.array(molar),
        "scalars": np.array([step, k_gas, nominal_molar_kg]),
        "nominal": np.array(nominal),
        "energy_offset_j_kg": offset,
        "source": f"CoolProp {CoolProp.__version__} {'&'.join(fluids)}",
    }


def generate(refrigerant: str) -> dict[str, Array | str]:
    """Build all arrays of one refrigerant; see the module docstring for what the rows are."""
    source = SOURCES[refrigerant]
    state = _state(source)
    t_critical_k, p_critical_pa = _critical(source)
    # The mixture flash degrades near its critical point.
    top = 0.83 if source in MIXTURES else 0.98
    log_p = np.linspace(math.log(PRESSURE_MIN_PA), math.log(top * p_critical_pa), PRESSURES)
    pressures = np.exp(log_p)
    if source in MIXTURES:
        p_low = MIXTURES[source].p_low_pa
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
    return {
        "log_p": log_p,
        "saturation": _checked(refrigerant, table, a_l, g_l),
        "gas_a": np.ascontiguousarray(a_g),
        "gas_b": np.ascontiguousarray(b_g),
        "scalars": np.array([step, k_gas, molar_kg, t_critical_k, p_critical_pa]),
        "oil_temperature_k": OIL_TEMPERATURES_K,
        "oil_psat_pa": psat_oil,
        "oil_mass_fraction": np.ascontiguousarray(w_oil),
        "source": f"CoolProp {CoolProp.__version__} {source}",
    }


def main() -> None:
    """Write the tables of every refrigerant, and of every family, or of those named on the command line."""
    folder = Path(__file__).parent / "data"
    folder.mkdir(exist_ok=True)
    for refrigerant in sys.argv[1:] or SOURCES:
        np.savez_compressed(folder / f"{refrigerant}.npz", allow_pickle=False, **generate(refrigerant))
        sys.stdout.write(f"{refrigerant} written\n")
        if refrigerant in FAMILIES:
            np.savez_compressed(folder / f"{refrigerant}.shift.npz", allow_pickle=False, **generate_family(refrigerant))
            sys.stdout.write(f"{refrigerant} family written\n")


if __name__ == "__main__":
    main()
