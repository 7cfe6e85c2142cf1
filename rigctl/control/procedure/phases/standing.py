"""STANDING: the shut-in appliance is watched; what its rise means decides."""

from __future__ import annotations

from rigctl.control import notation
from rigctl.control.points import EH_001, M_001, XV_202, XV_301
from rigctl.control.procedure.appliance import appliance_temperature, inlets_hooked_up
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish
from rigctl.control.procedure.work import Work
from rigctl.control.sense import outgassing
from rigctl.control.state import StandingCheck
from rigctl.control.vocabulary import RUNNING, Phase, Shape
from rigctl.refrigerant.saturation import T0_K


def judge(w: Work, f: Facts) -> None:
    procedure, job, p = w.settings.procedure, w.settings.job, w.s.p_appliance
    k = w.prepared.figures.sense.outgassing
    if w.in_phase_s >= k.watched_from_share * procedure.standing_settle_s:
        before = len(w.standing.rise.pressures_pa_abs)
        w.standing.rise = outgassing.watched(w.standing.rise, p, w.in_phase_s, k)
        if len(w.standing.rise.pressures_pa_abs) > before:
            end_s = procedure.standing_settle_s + procedure.standing_s
            w.standing.outlook = outgassing.outlook(
                w.standing.rise,
                max(end_s, w.in_phase_s),
                job.level_pa_abs,
                w.settings.instruments.pressure_uncertainty_pa,
                w.prepared,
            )
    watched_s = w.in_phase_s - procedure.standing_settle_s
    if not watched_s >= 0.0:
        return
    seen = w.standing.rise.pressures_pa_abs
    if w.standing.start_pa_abs != w.standing.start_pa_abs:
        w.standing.start_pa_abs = seen[-1] if seen else p
    # One reading may be off by the transmitter's noise: a mean above the level counts, and what is far above it.
    far_pa = w.figures.standing.far_above_share * w.settings.instruments.pressure_uncertainty_pa
    far = p > job.level_pa_abs + far_pa
    above = p != p or far or (seen[-1] if seen else p) > job.level_pa_abs
    ahead = w.standing.outlook
    rested = w.in_phase_s >= outgassing.least_rest_s(w.standing.repeats, k)
    plain = ahead is not None and ahead.fails >= k.fails_surely and rested
    f.standing_failed = above or plain
    if ahead is not None and not above and w.in_phase_s >= k.early_s:
        f.standing_passed = ahead.fails <= k.early_fails and ahead.stays_below >= k.early_holds
    if watched_s >= procedure.standing_s and not above and not f.standing_passed:
        below = ahead.stays_below if ahead is not None else 0.0
        f.standing_passed = below >= k.holds_surely
        # Not plain yet, though still below: a little longer is cheaper than another pull.
        wait = below > k.unplain and watched_s < k.longer_times * procedure.standing_s
        f.standing_failed = not f.standing_passed and not wait
    # A level that holds over a shut service valve looks like success: the weight says otherwise.
    asks = f.standing_passed and job.charge_kg is not None and not w.appliance.little_accepted
    f.too_little = asks and _came_little(w)
    if f.standing_failed or f.standing_passed:
        w.standing.shape = _shape(w, f.standing_passed)
        if w.standing.shape is Shape.LEAK:  # however slow: the level does not hold
            f.standing_passed, f.standing_failed = False, True
    f.standing_gave_up = w.standing.repeats >= procedure.standing_repeats or w.standing.shape is Shape.LEAK


def _shape(w: Work, passed: bool) -> Shape:
    t, tolerance_k = appliance_temperature(w.s, w.prepared)
    saturation = w.prepared.refrigerant.dew_pressure_pa_abs(t - tolerance_k)
    warmer_k = w.s.t_001 - w.standing.isolated_degc
    return outgassing.shape(
        w.pull.giving,
        w.standing.rise,
        w.standing.outlook,
        w.now_s,
        w.prepared.figures.sense.outgassing,
        passed=passed,
        saturation_pa_abs=saturation,
        warming_share=warmer_k / (w.standing.isolated_degc + T0_K),
    )


def _came_little(w: Work) -> bool:
    # A cold coil may hold most of a small charge until it is cleared out; the pump has counted it.
    on_the_way = max(0.0, w.estimate.pumped.kg - w.s.net_kg) if w.settings.fitted.cooler_valves else 0.0
    least_kg = w.figures.standing.too_little_share * (w.settings.job.charge_kg or 0.0)
    return not w.recovered_kg() + on_the_way >= least_kg


def leave(w: Work, f: Facts, phase: Phase) -> None:
    judged = f.standing_passed or f.standing_failed
    if not (judged and phase in (*RUNNING, Phase.HOLDING)):
        return
    settings, p = w.settings, w.s.p_appliance
    began = w.standing.start_pa_abs if w.standing.start_pa_abs == w.standing.start_pa_abs else p
    entered_s = w.before.entered_s
    check = StandingCheck(entered_s, w.now_s - entered_s, began, p, f.standing_passed, w.standing.shape)
    w.standing.checks = (*w.standing.checks, check)
    ahead, on = w.standing.outlook, ""
    if ahead is not None:
        later = notation.duration(w.prepared.figures.sense.outgassing.kept_s)
        on = f", {notation.absolute(ahead.kept_pa_abs, settings.units)} expected {later} later"
    w.tell(
        "standing",
        "PT-001" if settings.fitted.pt_001 else "PT-101",
        f"Standing check {'passed' if f.standing_passed else 'not passed'}: "
        f"{notation.absolute(began, settings.units)} to {notation.absolute(p, settings.units)} "
        f"in {notation.duration(check.duration_s)}{on}; {w.standing.shape.value}.",
    )
    if f.standing_failed:
        w.standing.repeats += 1
        if w.standing.outlook is not None:
            k = w.prepared.figures.sense.outgassing
            w.pull.giving = outgassing.learned(w.pull.giving, w.standing.rise, w.standing.outlook, w.now_s, k)
        if w.pull.giving.gain_pa_kg != w.pull.giving.gain_pa_kg:
            tighter = w.figures.standing.tighten_share * w.pull.target_pa_abs
            lower = min(tighter, settings.job.level_pa_abs - (p - began))
            w.pull.target_pa_abs = max(settings.procedure.pull_floor_pa_abs, lower)


def enter(w: Work, f: Facts, was: Phase) -> None:
    w.standing.isolated_degc = w.s.t_001


def wants(wish: Wish) -> int:
    # Without its own instrument the appliance is watched through an open inlet; the compressor's valves and XV-201
    # keep the discharge side away from it.
    inlet = 0 if wish.settings.fitted.pt_001 else inlets_hooked_up(wish.settings)
    return inlet | XV_202 | XV_301 | wish.aids & (EH_001 | M_001)
