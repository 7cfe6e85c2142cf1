"""What is left in the appliance, with its 90 % range: by the label while liquid comes, by pressure and oil after it."""

from __future__ import annotations

from itertools import pairwise
from math import nan

LABEL_SHARE = ((0.30, 0.0), (0.93, 0.25), (1.05, 0.90), (1.15, 1.0))
"""What an appliance holds over what its plate says, with the probability of less: mostly right, often leaked, now and
then overfilled. Common practice, no source; the random simulated jobs are drawn from it, too."""
LEAST_SHARE = 0.08
"""Of what the plate says: less is never left while liquid still comes."""
UNKNOWN_KG = (0.1, 0.6, 4.0)
"""Left while liquid comes and no plate says more: 5 %, median, 95 % of what air conditioners and refrigerators hold."""
OIL_S = 110.0
"""What the oil still gives, over the rate at which it gives: median over random simulated jobs, 5 to 95 %: 10 to 330
s."""
SPREAD = 3.2
"""Factor up and down that holds 90 % of what pressure and oil let expect, over the same jobs."""


def by_label(charge_kg: float | None, recovered_kg: float, recovered_uncertainty_kg: float) -> tuple[float, ...]:
    """Return median and 90 % range, kg, while liquid comes: the plate's charge less what came, and never next to
    nothing.
    """
    if charge_kg is None:
        low, middle, high = UNKNOWN_KG
        return middle, low, high
    least = recovered_kg / charge_kg + LEAST_SHARE
    known = _below(least)
    shares = [_share(known + part * (1.0 - known)) if known < 1.0 else least for part in (0.5, 0.05, 0.95)]
    middle, low, high = (max(share * charge_kg - recovered_kg, 0.0) for share in shares)
    slack = 1.645 * recovered_uncertainty_kg
    return middle, max(low - slack, 0.0), high + slack


def by_pressure(p_pa_abs: float, rise_pa_s: float, gain_pa_kg: float, most_kg: float) -> tuple[float, ...]:
    """Return median and 90 % range, kg, while vapor is drawn.

    Parameters
    ----------
    p_pa_abs
        Of the appliance: its gas weighs this over the gain.
    rise_pa_s, gain_pa_kg
        How fast it would rise if it were shut in, and what a kilogram more does to it; the gain may be NaN.
    most_kg
        What can be left at most, by the label; infinite where there is none.
    """
    if not (gain_pa_kg > 0.0 and p_pa_abs > 0.0):
        return nan, 0.0, most_kg
    middle = min((p_pa_abs + OIL_S * max(rise_pa_s, 0.0)) / gain_pa_kg, most_kg)
    return middle, middle / SPREAD, min(middle * SPREAD, most_kg)


def _below(share: float) -> float:
    for (s_0, f_0), (s_1, f_1) in pairwise(LABEL_SHARE):
        if share <= s_1:
            return f_0 + (f_1 - f_0) * max(share - s_0, 0.0) / (s_1 - s_0)
    return 1.0


def _share(below: float) -> float:
    for (s_0, f_0), (s_1, f_1) in pairwise(LABEL_SHARE):
        if below <= f_1:
            return s_0 + (s_1 - s_0) * (below - f_0) / (f_1 - f_0)
    return LABEL_SHARE[-1][0]
