"""How long the job still takes, to a level that passes the standing check, and what sets its pace."""

from __future__ import annotations

import enum
from math import exp, inf, log, nan, sqrt

import msgspec

from rigctl.control.settings import Settings
from rigctl.control.signals import Signals

CLEAR_OUT_S = 55.0
GIVES_BACK_S, GIVES_BACK_SPREAD_S = 270.0, 160.0
VAPOR_S_PER_KG, VAPOR_FULL_KG, VAPOR_M3_S = 110.0, 6.0, 5e-4
"""Time of a clear-out; of all standing and pulling between the first standing check and the last, with its standard
deviation; of the vapor phase for each kg of charge at a displacement, and up to which charge (of more
a fifth counts: a chiller's liquid leaves less behind). Fitted to 60 random simulated jobs (air
conditioners and refrigerators); another 150 are the judge (`python -m tests.bench control`)."""


class LimitedBy(enum.Enum):
    """The mechanism that sets the rate now."""

    NOTHING = "nothing"
    INLET = "inlet restriction"
    THROTTLE = "suction throttle"
    COMPRESSOR = "compressor"
    CYLINDER_PRESSURE = "cylinder pressure"
    OIL = "refrigerant boiling out of oil"
    COLD_APPLIANCE = "cold appliance"


class Progress(msgspec.Struct, frozen=True):
    """Where the job stands, as far as the forecast needs it."""

    previous_kg: float
    """Recovered into cylinders already taken off."""
    previous_variance_kg2: float
    fill_limit_kg: float
    target_pa_abs: float
    in_phase_s: float
    repeats: int
    cleared: bool
    """The lines to the cylinder were cleared out at the end."""
    stage: int
    """0 not started, 1 liquid, 2 vapor, 3 standing, 4 clear-out, 5 isolate, 6 ended."""
    isolated_pa_abs: float = nan
    """Pressure from which the present standing check rises."""
    ready_in_s: float = nan
    """Time until a standing check is expected to hold; NaN before one has failed."""


def finish(s: Signals, settings: Settings, progress: Progress, flow: float, left: float) -> tuple[float, float, float]:
    """Expected time to COMPLETE and its 90 % band.

    By flow while liquid comes, by the pressure's fall after it, and by how fast the oil gave back in the last standing
    check once there was one; before that by what was seen over random simulated jobs.
    """
    procedure = settings.procedure
    if progress.stage in (0, 6):
        return nan, nan, inf
    isolate = procedure.scale_steady_s + 3.0 * procedure.valve_stroke_s
    clear = CLEAR_OUT_S if settings.fitted.cooler_valves else 0.0
    check = procedure.standing_settle_s + procedure.standing_s
    in_phase, target, p = progress.in_phase_s, progress.target_pa_abs, s.p_appliance
    rest = check + clear + isolate
    if progress.stage == 5:
        return _band(max(0.5, isolate - in_phase), 1.5)
    if progress.stage == 4:
        middle = max(15.0, clear + isolate - in_phase)
        return _band(middle, 0.7 * middle)
    known = progress.ready_in_s == progress.ready_in_s
    wait = max(0.0, progress.ready_in_s) if known else GIVES_BACK_S
    if progress.stage == 3:
        done = max(0.0, check - in_phase)
        fails = 0.5 if known else 0.85
        if in_phase > procedure.standing_settle_s + 5.0 and p > progress.isolated_pa_abs:
            end = p + (p - progress.isolated_pa_abs) / in_phase * done
            room = max(1.0, 0.97 * settings.job.level_pa_abs - progress.isolated_pa_abs)
            fails = min(max(2.0 * ((end - progress.isolated_pa_abs) / room - 0.9), 0.0), 1.0)
        again = max(wait, 30.0) + check if known else max(done, wait + check - in_phase)
        middle = (1.0 - fails) * done + fails * again + clear + isolate
        return _band(
            middle,
            sqrt(fails * (1.0 - fails) * (again - done) ** 2 + fails * (0.6 * again) ** 2 + (0.5 * clear) ** 2 + 100.0),
        )
    if known:
        middle = max(wait, 25.0) + 15.0 + rest
        return _band(middle, sqrt((0.7 * wait + 25.0) ** 2 + (0.2 * middle) ** 2))
    charge = settings.job.charge_kg
    whole = 250.0
    if charge is not None:
        counted = min(charge, VAPOR_FULL_KG) + 0.2 * max(0.0, charge - VAPOR_FULL_KG)
        whole = VAPOR_S_PER_KG * counted * VAPOR_M3_S / settings.compressor.displacement_m3_s
    if p != p:
        return nan, rest, inf
    if progress.stage == 2:
        # The pressure's fall tells nothing while what liquid there is boils: then the charge says more.
        falls = log(max(p / target, 1.0)) if p > 0.0 else 1.0
        usual = 0.4 * whole * min(falls / 2.5, 1.0) + 20.0
        pull = min(falls / s.log_fall_1_s, 3.0 * usual + 100.0) if s.log_fall_1_s > 1e-3 else usual
        return _band(pull + wait + rest, sqrt((0.6 * pull) ** 2 + GIVES_BACK_SPREAD_S**2))
    liquid = 40.0 * charge if charge is not None else 60.0
    if flow > 5e-4 and left == left:
        liquid = 0.8 * max(left, 0.0) / flow
    spread = sqrt((0.5 * liquid) ** 2 + (0.7 * whole) ** 2 + GIVES_BACK_SPREAD_S**2)
    return _band(liquid + whole + wait + rest, spread)


def _band(middle: float, spread: float) -> tuple[float, float, float]:
    """An expected time with its 90 % band, if its logarithm spreads like a normal distribution."""
    factor = exp(1.645 * min(spread / max(middle, 1.0), 1.0))
    return middle, middle / factor, middle * factor


def limited_by(s: Signals, settings: Settings, progress: Progress, ratio: float, saturation: float) -> LimitedBy:
    """Return what sets the rate now, roughly; `saturation` in degC at the lowest pressure on the appliance side."""
    if progress.stage not in (1, 2):
        return LimitedBy.NOTHING
    if progress.stage == 1 or (s.p_001 == s.p_001 and s.p_101 < 0.6 * s.p_001):
        return LimitedBy.INLET
    if progress.repeats > 0:
        return LimitedBy.OIL
    ambient = s.t_001 if s.t_001 == s.t_001 else settings.job.ambient_degc
    if ratio > 12.0:
        return LimitedBy.CYLINDER_PRESSURE if s.p_201 > 15e5 else LimitedBy.COMPRESSOR
    if saturation < ambient - 20.0:
        return LimitedBy.COLD_APPLIANCE
    return LimitedBy.COMPRESSOR
