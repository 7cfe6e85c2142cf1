"""What saturated and slightly superheated refrigerant is like, from tables small and fast enough for a scan.

A table has nodes uniform in the logarithm of pressure, so a look-up by pressure takes the same time anywhere;
a look-up by temperature searches the nodes. Between nodes the columns are cubic splines. The header of each
generated table gives its largest errors against CoolProp 8.0.0.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from typing import Protocol

import msgspec

GAS_CONSTANT_J_MOL_K = 8.314462618
"""CODATA 2018."""
ATMOSPHERE_PA_ABS = 101325.0
"""The standard atmosphere, by definition."""
T0_K = 273.15
"""0 degC, by definition."""
PSI_PA = 6894.757
INHG_PA = 3386.389
POUND_KG = 0.45359237
"""Units of the trade, by definition."""
NAN = math.nan

Cells = tuple[tuple[float, float, float, float], ...]


class Table(Protocol):
    """A generated module of `rigctl.refrigerant.tables`."""

    MOLAR_MASS_KG_MOL: float
    CRITICAL_DEGC: float
    CRITICAL_PA_ABS: float
    CRITICAL_DENSITY_KG_M3: float
    LN_P_FIRST: float
    LN_P_STEP: float
    T_BUBBLE_DEGC: tuple[float, ...]
    T_BUBBLE_DEGC_SLOPE: tuple[float, ...]
    T_DEW_DEGC: tuple[float, ...]
    T_DEW_DEGC_SLOPE: tuple[float, ...]
    RHO_LIQUID_KG_M3: tuple[float, ...]
    RHO_LIQUID_KG_M3_SLOPE: tuple[float, ...]
    LN_RHO_VAPOR: tuple[float, ...]
    LN_RHO_VAPOR_SLOPE: tuple[float, ...]
    H_LIQUID_J_KG: tuple[float, ...]
    H_LIQUID_J_KG_SLOPE: tuple[float, ...]
    H_VAPOR_J_KG: tuple[float, ...]
    H_VAPOR_J_KG_SLOPE: tuple[float, ...]


class Facts(msgspec.Struct, frozen=True, kw_only=True):
    """What is published of a refrigerant besides its properties; reviewed by hand, one entry each."""

    name: str
    safety_class: str
    """ASHRAE 34: "A1", "A2L", "A2", "A3", "B1"."""
    evacuation_class: str
    """"very_high", "high", "medium" or "low" pressure, as 40 CFR 82.152 sorts appliances."""
    evacuation_note: str = ""
    """Why the class was reviewed, where the numbers alone do not settle it."""
    gwp_ar4: float
    """Global warming potential, 100 years, IPCC fourth assessment."""
    gwp_ar5: float
    lfl_kg_m3: float | None = None
    """Lower flammable limit; None when not flammable by ASHRAE 34."""
    composition: tuple[tuple[str, float], ...] = ()
    """Components and mass fractions of a blend; empty for a single substance."""
    source: str
    """Where class, GWP and LFL come from, "from memory" where so."""


class Refrigerant(msgspec.Struct, frozen=True, eq=False, gc=False):
    """A refrigerant: published facts and saturation properties. Made by `catalogue.get`.

    Pressures are Pa absolute, temperatures degC. Every method takes any number and returns NaN for what lies
    outside the table, NaN and infinity included; none raises. `why_outside_*` gives the sentence to show.

    The tables run from -60 degC (R-744: from its triple point) to 0.9 of the critical pressure. The bubble
    line of a zeotropic blend describes liquid in a vessel, the dew line its last vapor.
    """

    facts: Facts
    molar_mass_kg_mol: float
    critical_degc: float
    critical_pa_abs: float
    critical_density_kg_m3: float
    p_min_pa_abs: float
    p_max_pa_abs: float
    t_min_degc: float
    """Lowest temperature at which every property is known."""
    t_max_degc: float
    """Highest temperature at which every property is known."""
    _ln_p_first: float
    _ln_p_step: float
    _steps_per_ln_p: float
    _bubble_nodes_degc: tuple[float, ...]
    _dew_nodes_degc: tuple[float, ...]
    _bubble_position: Cells
    _dew_position: Cells
    _t_bubble: Cells
    _t_dew: Cells
    _rho_liquid: Cells
    _ln_rho_vapor: Cells
    _h_liquid: Cells
    _h_vapor: Cells
    _non_ideality_at_p_min: float

    @property
    def name(self) -> str:
        """Designation as in ASHRAE 34, for example "R-410A"."""
        return self.facts.name

    @property
    def safety_class(self) -> str:
        """ASHRAE 34 safety class."""
        return self.facts.safety_class

    @property
    def evacuation_class(self) -> str:
        """Pressure class for evacuation: "very_high", "high", "medium" or "low"."""
        return self.facts.evacuation_class

    @property
    def gwp_ar4(self) -> float:
        """Global warming potential over 100 years, IPCC fourth assessment."""
        return self.facts.gwp_ar4

    @property
    def gwp_ar5(self) -> float:
        """Global warming potential over 100 years, IPCC fifth assessment."""
        return self.facts.gwp_ar5

    @property
    def lfl_kg_m3(self) -> float | None:
        """Lower flammable limit in kg/m3; None when not flammable by ASHRAE 34."""
        return self.facts.lfl_kg_m3

    @property
    def flammable(self) -> bool:
        """Whether ASHRAE 34 puts it in class 2L, 2 or 3."""
        return not self.facts.safety_class.endswith("1")

    @property
    def is_blend(self) -> bool:
        """Whether it is a blend, zeotropic or azeotropic."""
        return bool(self.facts.composition)

    @property
    def zeotropic(self) -> bool:
        """Whether it is a zeotropic blend (the 400 series of ASHRAE 34)."""
        return self.is_blend and self.facts.name.startswith("R-4")

    @property
    def temperature_range_degc(self) -> tuple[float, float]:
        """Lowest and highest temperature at which every property is known."""
        return self.t_min_degc, self.t_max_degc

    def bubble_temperature_degc(self, p_pa_abs: float) -> float:
        """Temperature at which liquid under this pressure starts to boil."""
        if not self.p_min_pa_abs <= p_pa_abs <= self.p_max_pa_abs:
            return NAN
        return self._at_pressure(self._t_bubble, p_pa_abs)

    def dew_temperature_degc(self, p_pa_abs: float) -> float:
        """Temperature at which vapor under this pressure starts to condense; superheat counts from it."""
        if not self.p_min_pa_abs <= p_pa_abs <= self.p_max_pa_abs:
            return NAN
        return self._at_pressure(self._t_dew, p_pa_abs)

    def bubble_pressure_pa_abs(self, t_degc: float) -> float:
        """Pressure over saturated liquid, inverse of `bubble_temperature_degc` (1e-7 of it)."""
        position = _position(self._bubble_nodes_degc, self._bubble_position, t_degc)
        return math.exp(self._ln_p_first + position * self._ln_p_step)

    def dew_pressure_pa_abs(self, t_degc: float) -> float:
        """Pressure at which vapor of this temperature condenses, inverse of `dew_temperature_degc`."""
        position = _position(self._dew_nodes_degc, self._dew_position, t_degc)
        return math.exp(self._ln_p_first + position * self._ln_p_step)

    def liquid_density_kg_m3(self, t_degc: float) -> float:
        """Density of saturated liquid on the bubble line."""
        position = _position(self._bubble_nodes_degc, self._bubble_position, t_degc)
        return NAN if math.isnan(position) else _at(self._rho_liquid, position)

    def vapor_density_kg_m3(self, p_pa_abs: float) -> float:
        """Density of saturated vapor on the dew line."""
        if not self.p_min_pa_abs <= p_pa_abs <= self.p_max_pa_abs:
            return NAN
        return math.exp(self._at_pressure(self._ln_rho_vapor, p_pa_abs))

    def superheated_density_kg_m3(self, p_pa_abs: float, t_degc: float) -> float:
        """Density of vapor at or above the dew line, from 0 Pa to the top of the table; approximate.

        ``rho = p M / (Z R T)`` with ``1 - Z = (1 - Z_dew) * (T_dew / T)**4``: exact on the dew line, ideal
        gas far from it. Below the table's lowest pressure 1 - Z is taken proportional to pressure. The
        exponent was chosen by comparison with CoolProp 8.0.0: from 0 to 60 K superheat, 5 kPa to 10 bar
        absolute, the error is at most 0.8 % for every refrigerant. At or below the dew temperature it is the
        dew density.
        """
        if not (0.0 <= p_pa_abs <= self.p_max_pa_abs and -T0_K < t_degc < 1e4):
            return NAN
        t_k = t_degc + T0_K
        ideal = p_pa_abs * self.molar_mass_kg_mol / (GAS_CONSTANT_J_MOL_K * t_k)
        if p_pa_abs >= self.p_min_pa_abs:
            dew_k = self._at_pressure(self._t_dew, p_pa_abs) + T0_K
            dew = math.exp(self._at_pressure(self._ln_rho_vapor, p_pa_abs))
            if t_k <= dew_k:
                return dew
            # Z_dew = p M / (R T_dew rho_dew)
            non_ideality = 1.0 - ideal * t_k / (dew_k * dew)
        else:
            dew_k = self._dew_nodes_degc[0] + T0_K
            non_ideality = self._non_ideality_at_p_min * p_pa_abs / self.p_min_pa_abs
        # Capped for temperatures at which there is no vapor, where the formula means nothing.
        ratio = min(dew_k / t_k, 1.2)
        return ideal / (1.0 - non_ideality * ratio * ratio * ratio * ratio)

    def liquid_enthalpy_j_kg(self, p_pa_abs: float) -> float:
        """Enthalpy of saturated liquid; the zero is arbitrary (200 kJ/kg at 0 degC), use differences."""
        if not self.p_min_pa_abs <= p_pa_abs <= self.p_max_pa_abs:
            return NAN
        return self._at_pressure(self._h_liquid, p_pa_abs)

    def vapor_enthalpy_j_kg(self, p_pa_abs: float) -> float:
        """Enthalpy of saturated vapor on the dew line, on the zero of `liquid_enthalpy_j_kg`."""
        if not self.p_min_pa_abs <= p_pa_abs <= self.p_max_pa_abs:
            return NAN
        return self._at_pressure(self._h_vapor, p_pa_abs)

    def flash_quality(self, p_from_pa_abs: float, p_to_pa_abs: float) -> float:
        """Mass fraction of vapor after saturated liquid is throttled from one pressure to another, 0 to 1.

        Isenthalpic; 0 when the pressure does not fall; NaN when either pressure is outside the table.
        """
        h_from = self.liquid_enthalpy_j_kg(p_from_pa_abs)
        h_liquid = self.liquid_enthalpy_j_kg(p_to_pa_abs)
        quality = (h_from - h_liquid) / (self.vapor_enthalpy_j_kg(p_to_pa_abs) - h_liquid)
        return NAN if math.isnan(quality) else min(max(quality, 0.0), 1.0)

    def why_outside_temperature(self, t_degc: float) -> str:
        """One sentence on why properties at this temperature are refused; "" when they are not."""
        if self.t_min_degc <= t_degc <= self.t_max_degc:
            return ""
        return (
            f"{self.name} has no saturation data at {t_degc:.1f} degC: the table covers "
            f"{self.t_min_degc:.1f} to {self.t_max_degc:.1f} degC{self._limits(t_degc > self.t_max_degc)}."
        )

    def why_outside_pressure(self, p_pa_abs: float) -> str:
        """One sentence on why properties at this pressure are refused; "" when they are not."""
        if self.p_min_pa_abs <= p_pa_abs <= self.p_max_pa_abs:
            return ""
        return (
            f"{self.name} has no saturation data at {p_pa_abs / 1e5:.3g} bar abs: the table covers "
            f"{self.p_min_pa_abs / 1e5:.3g} to {self.p_max_pa_abs / 1e5:.3g} bar abs"
            f"{self._limits(p_pa_abs > self.p_max_pa_abs)}."
        )

    def _limits(self, above: bool) -> str:
        if not above:
            return ""
        return (
            f"; above its critical point, {self.critical_degc:.1f} degC and {self.critical_pa_abs / 1e5:.1f} bar "
            "abs, there is no liquid"
        )

    def _at_pressure(self, cells: Cells, p_pa_abs: float) -> float:
        position = (math.log(p_pa_abs) - self._ln_p_first) * self._steps_per_ln_p
        i = int(position)
        a, b, c, d = cells[i]
        u = position - i
        return a + u * (b + u * (c + u * d))

    def __repr__(self) -> str:
        return f"<Refrigerant {self.name}>"


def from_table(facts: Facts, table: Table) -> Refrigerant:
    """Join published facts and a generated table."""
    bubble, dew = table.T_BUBBLE_DEGC, table.T_DEW_DEGC
    last = len(bubble) - 1
    # The ends are widened by round-off, or going from pressure to temperature and back would leave the table.
    p_min = math.exp(table.LN_P_FIRST) * (1.0 - 1e-12)
    p_max = math.exp(table.LN_P_FIRST + last * table.LN_P_STEP) * (1.0 + 1e-12)
    z_min = p_min * table.MOLAR_MASS_KG_MOL / (GAS_CONSTANT_J_MOL_K * (dew[0] + T0_K) * math.exp(table.LN_RHO_VAPOR[0]))
    return Refrigerant(
        facts,
        table.MOLAR_MASS_KG_MOL,
        table.CRITICAL_DEGC,
        table.CRITICAL_PA_ABS,
        table.CRITICAL_DENSITY_KG_M3,
        p_min,
        p_max,
        max(bubble[0], dew[0]),
        min(bubble[-1], dew[-1]),
        table.LN_P_FIRST,
        table.LN_P_STEP,
        1.0 / table.LN_P_STEP,
        (bubble[0] - 1e-9, *bubble[1:-1], bubble[-1] + 1e-9),
        (dew[0] - 1e-9, *dew[1:-1], dew[-1] + 1e-9),
        _inverse_cells(bubble, table.T_BUBBLE_DEGC_SLOPE),
        _inverse_cells(dew, table.T_DEW_DEGC_SLOPE),
        _cells(bubble, table.T_BUBBLE_DEGC_SLOPE),
        _cells(dew, table.T_DEW_DEGC_SLOPE),
        _cells(table.RHO_LIQUID_KG_M3, table.RHO_LIQUID_KG_M3_SLOPE),
        _cells(table.LN_RHO_VAPOR, table.LN_RHO_VAPOR_SLOPE),
        _cells(table.H_LIQUID_J_KG, table.H_LIQUID_J_KG_SLOPE),
        _cells(table.H_VAPOR_J_KG, table.H_VAPOR_J_KG_SLOPE),
        1.0 - z_min,
    )


def _cells(values: tuple[float, ...], slopes: tuple[float, ...]) -> Cells:
    """Coefficients of each cell's cubic; one more for the last node, so the end needs no special case."""
    cells = [
        (a, da, 3.0 * (b - a) - 2.0 * da - db, 2.0 * (a - b) + da + db)
        for a, b, da, db in zip(values, values[1:], slopes, slopes[1:], strict=False)
    ]
    return (*cells, (values[-1], slopes[-1], 0.0, 0.0))


def _at(cells: Cells, position: float) -> float:
    i = int(position)
    a, b, c, d = cells[i]
    u = position - i
    return a + u * (b + u * (c + u * d))


def _inverse_cells(values: tuple[float, ...], slopes: tuple[float, ...]) -> Cells:
    """Node, and coefficients of the position within the cell by powers of the excess over that node."""
    cells = []
    for a, b, da, db in zip(values, values[1:], slopes, slopes[1:], strict=False):
        width = b - a
        start, end = width / da, width / db
        cells.append((a, start / width, (3.0 - 2.0 * start - end) / width**2, (start + end - 2.0) / width**3))
    return (*cells, (values[-1], 1.0 / slopes[-1], 0.0, 0.0))


def _position(nodes: tuple[float, ...], inverse: Cells, value: float) -> float:
    """Where a rising column takes a value, in steps from the first node; NaN outside."""
    if not nodes[0] <= value <= nodes[-1]:
        return NAN
    i = bisect_right(nodes, value) - 1
    a, b, c, d = inverse[i]
    excess = value - a
    return i + excess * (b + excess * (c + excess * d))
