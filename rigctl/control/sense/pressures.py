"""Pressures: rates, rest, progress, compression ratio."""

from __future__ import annotations

from math import inf, log, nan

from rigctl.control.sense.memory import Memory
from rigctl.control.sense.moment import Moment
from rigctl.control.sense.signals import followed


def discharge(m: Memory, n: Moment) -> None:
    """How fast the discharge rises."""
    q, s, lag_s = m.pressures, n.s, n.figures.pressures.discharge_rate_lag_s
    if s.p_201 == s.p_201:
        if q.p_201_pa_abs == q.p_201_pa_abs and n.dt_s > 0.0:
            q.p_201_rate_pa_s += ((s.p_201 - q.p_201_pa_abs) / n.dt_s - q.p_201_rate_pa_s) * min(1.0, n.dt_s / lag_s)
            if q.p_201_rate_pa_s - q.p_201_rate_pa_s != 0.0:
                q.p_201_rate_pa_s = 0.0  # one wild value must not blind the row for good
        q.p_201_pa_abs = s.p_201
    s.p_201_rate = q.p_201_rate_pa_s


def appliance(m: Memory, n: Moment) -> None:
    """How fast the appliance falls, whether it has come to rest, and when there was progress last."""
    q, s, p, now_s, gross_kg = m.pressures, n.s, n.s.p_appliance, n.now_s, m.weight.gross_kg
    k, uncertainty_pa = n.figures.pressures, n.settings.instruments.pressure_uncertainty_pa
    if p == p:
        q.quick_pa_abs = followed(q.quick_pa_abs, p, n.dt_s, k.appliance_quick_s)
        q.slow_pa_abs = followed(q.slow_pa_abs, p, n.dt_s, k.appliance_slow_s)
    slope_pa_s = (q.quick_pa_abs - q.slow_pa_abs) / (k.appliance_slow_s - k.appliance_quick_s)
    near_pa = k.appliance_rest_share * q.slow_pa_abs + k.appliance_rest_uncertainties * uncertainty_pa
    s.p_settled = abs(slope_pa_s) * k.appliance_rest_s <= near_pa
    if not (n.pumping and n.inlet_open) or q.progress_s != q.progress_s:
        q.low_pa_abs, q.progress_s, q.progress_gross_kg = inf, now_s, gross_kg
    if p == p:
        if q.side_pa_abs == q.side_pa_abs and n.dt_s > 0.0:
            q.log_fall_1_s += (log(q.side_pa_abs / p) / n.dt_s - q.log_fall_1_s) * min(1.0, n.dt_s / k.fall_lag_s)
        q.side_pa_abs = p
        if p < k.progress_share * q.low_pa_abs:
            q.low_pa_abs, q.progress_s = p, now_s
    if gross_kg > q.progress_gross_kg + k.progress_kg:
        q.progress_s, q.progress_gross_kg = now_s, gross_kg
    s.log_fall_1_s = q.log_fall_1_s
    s.no_progress_s = now_s - q.progress_s


def cylinder_and_ratio(m: Memory, n: Moment) -> None:
    """Whether the cylinder has come to rest, and the compression ratio."""
    q, s, k, uncertainty_pa = m.pressures, n.s, n.figures.pressures, n.settings.instruments.pressure_uncertainty_pa
    if s.p_301 == s.p_301:
        q.p_301_slow_pa_abs = followed(q.p_301_slow_pa_abs, s.p_301, n.dt_s, k.cylinder_slow_s)
    slow = q.p_101_slow_pa_abs
    q.p_101_slow_pa_abs = followed(slow, s.p_101, n.dt_s, k.compression_lag_s) if s.p_101 == s.p_101 else nan
    s.ratio = s.p_201 / q.p_101_slow_pa_abs if q.p_101_slow_pa_abs > 0.0 else nan
    near_pa = k.cylinder_rest_share * q.p_301_slow_pa_abs + k.cylinder_rest_uncertainties * uncertainty_pa
    s.p_cylinder_rests = abs(s.p_301 - q.p_301_slow_pa_abs) <= near_pa
