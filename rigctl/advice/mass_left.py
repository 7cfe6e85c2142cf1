"""What is left in the appliance, with its 90 % range: by the label while liquid comes, by pressure and oil after it."""

from __future__ import annotations

from itertools import pairwise
from math import nan

from rigctl.advice.figures import MassLeft


def by_label(
    charge_kg: float | None, recovered_kg: float, recovered_uncertainty_kg: float, figures: MassLeft
) -> tuple[float, ...]:
    """Return median and 90 % range, kg, while liquid comes: the plate's charge less what came, and never next to
    nothing.
    """
    if charge_kg is None:
        return figures.unknown_middle_kg, figures.unknown_low_kg, figures.unknown_high_kg
    table = figures.plate_shares
    least = recovered_kg / charge_kg + figures.least_plate_share
    known = _below(table, least)
    shares = [_share(table, known + part * (1.0 - known)) if known < 1.0 else least for part in (0.5, 0.05, 0.95)]
    middle, low, high = (max(share * charge_kg - recovered_kg, 0.0) for share in shares)
    slack = 1.645 * recovered_uncertainty_kg
    return middle, max(low - slack, 0.0), high + slack


def by_pressure(
    p_pa_abs: float, rise_pa_s: float, gain_pa_kg: float, most_kg: float, figures: MassLeft
) -> tuple[float, ...]:
    """Return median and 90 % range, kg, while vapor is drawn.

    Parameters
    ----------
    p_pa_abs
        Of the appliance: its gas weighs this over the gain.
    rise_pa_s, gain_pa_kg
        How fast it would rise if it were shut in, and what a kilogram more does to it; the gain may be NaN.
    most_kg
        What can be left at most, by the label; infinite where there is none.
    figures
        Tuned ones.
    """
    if not (gain_pa_kg > 0.0 and p_pa_abs > 0.0):
        return nan, 0.0, most_kg
    middle = min((p_pa_abs + figures.oil_gives_s * max(rise_pa_s, 0.0)) / gain_pa_kg, most_kg)
    times = figures.by_pressure_times
    return middle, middle / times, min(middle * times, most_kg)


def _below(table: tuple[tuple[float, float], ...], share: float) -> float:
    """Probability that an appliance holds less than this share of what its plate says."""
    for (s_0, f_0), (s_1, f_1) in pairwise(table):
        if share <= s_1:
            return f_0 + (f_1 - f_0) * max(share - s_0, 0.0) / (s_1 - s_0)
    return 1.0


def _share(table: tuple[tuple[float, float], ...], below: float) -> float:
    """The share of what its plate says that an appliance holds less of with this probability."""
    for (s_0, f_0), (s_1, f_1) in pairwise(table):
        if below <= f_1:
            return s_0 + (s_1 - s_0) * (below - f_0) / (f_1 - f_0)
    return table[-1][0]
