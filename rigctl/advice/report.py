"""What people and records see of a scan: masses, fill, times, what limits and what would help."""

from __future__ import annotations

import enum
from math import inf, nan, sqrt
from typing import TYPE_CHECKING

import msgspec

from rigctl.advice import remedies
from rigctl.advice.figures import AdviceFigures, Remedies
from rigctl.advice.limits import LimitedBy, limited_by
from rigctl.advice.mass_left import by_label, by_pressure
from rigctl.advice.remedies import Memory, Remedy, Seen
from rigctl.advice.time_to_finish import NOT_UNDER_WAY, Progress, Stage, finish
from rigctl.control.points import M_101
from rigctl.control.prepared import Prepared
from rigctl.control.sense import outgassing
from rigctl.control.sense.memory import Memory as Senses
from rigctl.control.sense.signals import Signals
from rigctl.control.state import Event, State
from rigctl.control.vocabulary import ACTIVE, Phase

if TYPE_CHECKING:
    from rigctl.control.decide import Decision

NO_REMEDIES = Memory()
_STAGE_OF = {
    Phase.LINE_UP: Stage.LIQUID,
    Phase.PUSH_PULL: Stage.LIQUID,
    Phase.LIQUID: Stage.LIQUID,
    Phase.VAPOR: Stage.VAPOR,
    Phase.STANDING: Stage.STANDING,
    Phase.CLEAR_OUT: Stage.CLEAR_OUT,
    Phase.ISOLATE: Stage.ISOLATE,
    Phase.STOPPED: Stage.ENDED,
    Phase.COMPLETE: Stage.ENDED,
    Phase.ABORTED: Stage.ENDED,
}
"""In the others the stage is that of the phase to which a held job goes back, or the job has not been started."""


class InletPhase(enum.Enum):
    """What comes in at the header."""

    UNKNOWN = "unknown"
    LIQUID = "liquid"
    TWO_PHASE = "two-phase"
    VAPOR = "vapor"


class Estimate(msgspec.Struct, frozen=True, array_like=True):
    """The estimate of one scan. Uncertainties are standard uncertainties; NaN means not known."""

    net_kg: float = nan
    """Refrigerant put into the cylinder now on the scale, since it came on."""
    net_uncertainty_kg: float = nan
    flow_kg_s: float = nan
    flow_uncertainty_kg_s: float = nan
    recovered_kg: float = 0.0
    """Job total over all cylinders."""
    recovered_uncertainty_kg: float = nan
    contents_kg: float = nan
    """All refrigerant in the cylinder, residual included."""
    second_kg: float = nan
    """The same as `contents_kg`, by compressor displacement and liquid flow with what the scale has taught of them; it
    goes on without the scale."""
    second_uncertainty_kg: float = nan
    fill_limit_kg: float = nan
    fill_fraction: float = nan
    """`contents_kg` over `fill_limit_kg`."""
    inlet_phase: InletPhase = InletPhase.UNKNOWN
    compression_ratio: float = nan
    saturation_degc: float = nan
    """Dew temperature at the lowest pressure seen on the appliance side."""
    superheat_k: float = nan
    left_kg: float = nan
    left_low_kg: float = nan
    left_high_kg: float = nan
    """Refrigerant left in the appliance, its oil's included, and the 90 % range of it."""
    finish_s: float = nan
    """Expected time until COMPLETE; `finish_low_s` and `finish_high_s` are its 90 % band."""
    finish_low_s: float = nan
    finish_high_s: float = inf
    limited_by: LimitedBy = LimitedBy.NOTHING
    remedies: tuple[Remedy, ...] = ()
    """What a person can do now, worth most first."""


def advise(
    memory: Memory, state: State, found: Decision, prepared: Prepared, figures: AdviceFigures
) -> tuple[Memory, Estimate, tuple[Event, ...]]:
    """Carry advice over one scan.

    Parameters
    ----------
    memory
        Of the scan before.
    state, found
        What the scan has decided.
    prepared, figures
        Of the job, and of advice.

    Returns
    -------
    The memory to carry on, what is shown of the scan, and notes for a person.
    """
    progress = _progress(state, found, prepared)
    memory, text = _remedies(memory, state, found, prepared, figures.remedies, progress)
    shown = report(state.estimate, found.s, found.net_uncertainty_kg, prepared, figures, progress, memory)
    return memory, shown, (Event("note", "", text),) if text else ()


def _stage(state: State) -> Stage:
    stage = _STAGE_OF.get(state.phase)
    if stage is None and state.phase in ACTIVE:
        stage = _STAGE_OF.get(state.resume_to)
    return Stage.NOT_STARTED if stage is None else stage


def _progress(state: State, found: Decision, prepared: Prepared) -> Progress:
    earlier_kg = earlier_var_kg2 = 0.0
    for fill in state.on_scale.earlier:
        earlier_kg += fill.net_kg
        earlier_var_kg2 += fill.net_uncertainty_kg**2
    giving, job, k = state.pull.giving, prepared.settings.job, prepared.figures.sense.outgassing
    return Progress(
        previous_kg=earlier_kg,
        previous_variance_kg2=earlier_var_kg2,
        fill_limit_kg=state.on_scale.fill_limit_kg,
        in_phase_s=found.in_phase_s,
        repeats=state.standing.repeats,
        stage=_stage(state),
        rise_over_allowed=outgassing.rise_over_allowed(giving, prepared, job.level_pa_abs, found.s.p_appliance),
        measured=giving.measured,
        rise_pa_s=giving.rise_pa_s(k),
        gain_pa_kg=giving.best_gain_pa_kg(k),
        fails=state.standing.outlook.fails if state.standing.outlook is not None else nan,
        taking=found.taking,
    )


def _remedies(
    memory: Memory, state: State, found: Decision, prepared: Prepared, figures: Remedies, progress: Progress
) -> tuple[Memory, str]:
    """Carry on what is known of the remedies; the scan's own signals only, so that replay gives the same."""
    s, sensed, settings = found.s, state.estimate, prepared.settings
    seen = Seen()
    seen.s, seen.settings, seen.refrigerant = s, settings, prepared.refrigerant
    seen.figures, seen.senses = figures, prepared.figures.sense
    seen.liquid, seen.in_phase_s, seen.throttle = state.phase is Phase.LIQUID, found.in_phase_s, state.drive.throttle
    seen.start_pa_abs, seen.flow_kg_s = state.appliance.start_pa_abs, sensed.weight.flow_kg_s
    net_kg = s.net_kg if s.net_kg == s.net_kg else 0.0
    seen.contents_kg, seen.recovered_kg = sensed.contents.start_kg + net_kg, progress.previous_kg + net_kg
    seen.charge_kg = nan if settings.job.charge_kg is None else settings.job.charge_kg
    taking = state.phase in (Phase.LIQUID, Phase.VAPOR) and state.drive.outputs.bits & M_101 != 0
    return remedies.news(memory, remedies.follow(memory, seen, taking))


def report(
    memory: Senses,
    s: Signals,
    net_u: float,
    prepared: Prepared,
    figures: AdviceFigures,
    progress: Progress,
    remedy: Memory = NO_REMEDIES,
) -> Estimate:
    """Return the estimate of this scan as people and records see it.

    `net_u` is the standard uncertainty of the signals' net weight, kg.
    """
    settings, refrigerant = prepared.settings, prepared.refrigerant
    known = memory.pumped.fill
    second = memory.contents.start_kg + known.net_kg + memory.pumped.due_kg
    scale_var = settings.instruments.scale_uncertainty_kg**2 + memory.weight.shift_variance_kg2
    second_u = sqrt(known.variance_kg2 + scale_var)
    recovered = progress.previous_kg + (s.net_kg if s.net_kg == s.net_kg else 0.0)
    recovered_u = sqrt(progress.previous_variance_kg2 + net_u * net_u)
    contents = memory.contents.start_kg + s.net_kg
    saturation = refrigerant.dew_temperature_degc(s.p_low) if s.p_low == s.p_low else nan
    dew_101 = saturation
    if s.p_101 != s.p_low:
        dew_101 = refrigerant.dew_temperature_degc(s.p_101) if s.p_101 == s.p_101 else nan
    superheat = s.t_101 - dew_101
    charge = settings.job.charge_kg
    stage, k, most = progress.stage, figures.mass_left, inf
    if charge is not None:
        most = max(k.plate_shares[-1][0] * charge - recovered, 0.0) + k.most_uncertainty_times * recovered_u
    if stage in NOT_UNDER_WAY:
        left = low_kg = high_kg = nan
    elif stage is Stage.LIQUID:
        left, low_kg, high_kg = by_label(charge, max(recovered, 0.0), recovered_u, k)
    else:
        left, low_kg, high_kg = by_pressure(s.p_appliance, progress.rise_pa_s, progress.gain_pa_kg, most, k)
        if left != left and charge is not None:
            left, low_kg, high_kg = by_label(charge, max(recovered, 0.0), recovered_u, k)
    inlet = InletPhase.UNKNOWN
    if stage is Stage.LIQUID:
        inlet = InletPhase.TWO_PHASE if memory.liquid.gone else InletPhase.LIQUID
    elif stage is Stage.VAPOR:
        inlet = InletPhase.TWO_PHASE if superheat < figures.shown.two_phase_superheat_k else InletPhase.VAPOR
    finish_s, low, high = finish(s, prepared, progress, memory.weight.flow_kg_s, left, figures.finish)
    limit, limit_now = progress.fill_limit_kg, remedy.limited_by
    if limit_now is LimitedBy.NOTHING:
        limit_now = limited_by(s, settings, progress, s.ratio, saturation, figures.rate)
    return Estimate(
        s.net_kg, net_u, memory.weight.flow_kg_s, sqrt(memory.weight.var_flow_kg2_s2), recovered, recovered_u,
        contents, second, second_u,
        limit, contents / limit if limit > 0.0 else nan,
        inlet, s.ratio, saturation, superheat, left, low_kg, high_kg, finish_s, low, high,
        limit_now,
        remedy.remedies,
    )  # fmt: skip
