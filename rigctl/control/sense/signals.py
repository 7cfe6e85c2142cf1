"""The readings of a scan once judged: what can be trusted, and what follows from it for the rest of the core."""

from __future__ import annotations

from math import nan

from rigctl.control.figures import sense as figures
from rigctl.control.prepared import Prepared
from rigctl.control.readings import Reading, Readings


class Signals:
    """The readings of a scan once judged, NaN where unfit, and what follows from them. Lives for one scan."""

    __slots__ = (
        "anchor_gain_kg",
        "anchor_pumped_kg",
        "crossing_kg_s",
        "disturbed_s",
        "drawn_kg_s",
        "flow_kg_s",
        "frozen_share",
        "liquid_back_s",
        "liquid_gone",
        "log_fall_1_s",
        "net_high_kg",
        "net_kg",
        "no_progress_s",
        "now_s",
        "p_001",
        "p_101",
        "p_102",
        "p_201",
        "p_201_rate",
        "p_301",
        "p_appliance",
        "p_cylinder",
        "p_cylinder_rests",
        "p_low",
        "p_settled",
        "p_source",
        "pumped_flow_kg_s",
        "ratio",
        "same_pumped_kg",
        "scale_ok",
        "second_high_kg",
        "second_raw_kg",
        "second_spread_kg",
        "steady_s",
        "t_001",
        "t_101",
        "t_201",
        "t_301",
        "was_flowing",
    )

    anchor_gain_kg: float
    anchor_pumped_kg: float
    crossing_kg_s: float
    """Liquid that should cross in push-pull; NaN until the line has been measured."""
    disturbed_s: float
    drawn_kg_s: float
    """Vapor that the compressor takes out of the cylinder meanwhile."""
    flow_kg_s: float
    frozen_share: bool
    liquid_back_s: float
    liquid_gone: bool
    log_fall_1_s: float
    net_high_kg: float
    net_kg: float
    no_progress_s: float
    now_s: float
    p_001: float
    p_101: float
    p_102: float
    p_201: float
    p_201_rate: float
    p_301: float
    p_appliance: float
    p_cylinder: float
    p_cylinder_rests: bool
    p_low: float
    p_settled: bool
    p_source: float
    same_pumped_kg: float
    pumped_flow_kg_s: float
    ratio: float
    """Compression ratio over the header, smoothed: far in vacuum a transmitter's noise is a large share of it."""
    scale_ok: bool
    second_high_kg: float
    second_raw_kg: float
    second_spread_kg: float
    steady_s: float
    t_001: float
    t_101: float
    t_201: float
    t_301: float
    was_flowing: bool


def _within(reading: Reading, now_s: float, max_age_s: float, low: float, high: float) -> float:
    """The value of a sound reading inside what can physically be, else NaN."""
    # `sound` written out: a value inside the band is neither NaN nor infinite.
    value = reading.value
    if reading.fault is None and low <= value <= high and 0.0 <= now_s - reading.taken_at_s <= max_age_s:
        return value
    return nan


def _pressure(reading: Reading, now_s: float, max_age_s: float, k: figures.Signals) -> float:
    """The value of a sound pressure reading; a transmitter may read a little below nothing in a vacuum."""
    p = _within(reading, now_s, max_age_s, k.lowest_pa_abs, k.highest_pa_abs)
    return p if p != p or p > k.vacuum_pa_abs else k.vacuum_pa_abs


def followed(slow: float, value: float, dt_s: float, time_s: float) -> float:
    """A first-order lag behind a value; begins where the value is."""
    if slow != slow:
        return value
    share = dt_s / time_s  # min() costs more than all the rest here, ten times a scan
    return slow + (value - slow) * (share if share < 1.0 else 1.0)


def judge(readings: Readings, prepared: Prepared) -> Signals:
    """Return the sound values of a scan; an unfit reading becomes NaN, never an old or a made-up number."""
    settings, k = prepared.settings, prepared.figures.sense.signals
    now, age, cold, hot = readings.now_s, settings.instruments.reading_max_age_s, k.lowest_degc, k.highest_degc
    s = Signals()
    s.now_s = now
    s.p_101 = _pressure(readings.pt_101_pa_abs, now, age, k)
    s.p_201 = _pressure(readings.pt_201_pa_abs, now, age, k)
    s.p_102 = _pressure(readings.pt_102_pa_abs, now, age, k)
    s.p_301 = _pressure(readings.pt_301_pa_abs, now, age, k)
    s.p_001 = _pressure(readings.pt_001_pa_abs, now, age, k)
    s.t_101 = _within(readings.tt_101_degc, now, age, cold, hot)
    s.t_201 = _within(readings.tt_201_degc, now, age, cold, hot)
    s.t_301 = _within(readings.tt_301_degc, now, age, cold, hot)
    s.t_001 = _within(readings.tt_001_degc, now, age, cold, hot)
    weight = _within(readings.wt_301_kg, now, age, k.lightest_kg, k.heaviest_kg)
    s.scale_ok = weight == weight and settings.job.scale_usable
    # With its own instrument fitted but unfit, the appliance's pressure is unknown: the header may not stand in.
    s.p_appliance = s.p_001 if settings.fitted.pt_001 else s.p_101
    # Discharge is never below the cylinder while the way is open, so it stands in on the safe side.
    s.p_cylinder = s.p_301 if settings.fitted.pt_301 else s.p_201
    s.p_cylinder_rests = True  # unless its history says otherwise
    s.p_low = min(s.p_101, s.p_appliance) if s.p_101 == s.p_101 else s.p_appliance
    return s
