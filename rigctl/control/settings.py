"""Everything a scan is told in advance: the rig, its limits, the procedure's figures, the job.

Field names carry their SI unit. In the files a person writes, the same names stand without the unit and
the values carry one of the person's choice ("38 bar g", "550 psig", "90 s"); `rigctl.config` converts.
No safety limit has a default.
"""

from __future__ import annotations

import enum

import msgspec

from rigctl.refrigerant import catalogue
from rigctl.refrigerant.cylinder import CylinderError, fill_limit
from rigctl.refrigerant.saturation import ATMOSPHERE_PA_ABS


class Units(enum.Enum):
    """Units a person reads."""

    METRIC = "metric"
    US = "us"


class Cylinder(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A recovery cylinder as its collar and label describe it."""

    serial: str
    water_capacity_kg: float
    """WC stamped on the collar: kg of water that fill it."""
    tare_kg: float
    """Empty weight with valve, as stamped."""
    service_pressure_pa_gauge: float
    refrigerant: str
    """What it is labelled for; "" means new and evacuated."""
    retest_due: str
    """ISO date of the day after which it may not be filled."""
    residual_kg: float = 0.0
    """Refrigerant in it by its log; the fill counts from this or from what the scale says, whichever is more."""


class Fitted(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Which optional equipment the rig has. PT-101, PT-201, WT-301, M-101 and XV-301 are compulsory."""

    xv_101: bool = True
    xv_102: bool = True
    cooler_valves: bool = False
    """XV-201, XV-202, XV-203 and XV-204: with them the cooler section can be cleared out at the end."""
    cv_103: bool = False
    m_201: bool = False
    m_202: bool = False
    m_001: bool = False
    eh_001: bool = False
    pt_102: bool = False
    pt_301: bool = False
    pt_001: bool = False
    tt_101: bool = False
    tt_201: bool = False
    tt_301: bool = False
    tt_001: bool = False
    at_001: bool = False
    fs_001: bool = False
    lsh_301: bool = False
    psh_201: bool = False
    """The auxiliary contact of the hardware pressure switch; the switch itself is compulsory."""
    hs_001: bool = False
    """The auxiliary contact of the emergency stop; the stop itself is compulsory."""
    m_101_ok: bool = False
    """A drive or contactor fault contact."""
    readback: bool = False
    """The output module can be read back."""
    push_pull: bool = False
    """XV-104, XV-105 and XV-106: appliance liquid straight to the cylinder, cylinder vapor to the header, discharge to
    the appliance's vapor port."""


class Protection(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Hardware that must exist whatever the software does; a rig that lacks one is refused."""

    hardware_pressure_switch: bool
    """PSH-201 in series with the motor contactor."""
    emergency_stop: bool
    """HS-001 in series with the supply of all outputs."""
    cylinder_relief_valve: bool
    trapped_liquid_relief: bool
    """Relief from the discharge lines into the cylinder: spring-shut valves can lock liquid in on a power cut."""
    output_watchdog: bool
    """Outputs drop by themselves when the controller stops writing them."""


class Compressor(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Nameplate of M-101, used for the fill estimate that does not need the scale."""

    displacement_m3_s: float
    """Swept volume times speed."""
    clearance: float
    """Clearance volume over swept volume, 0 to 0.2."""
    leak_factor: float = 0.92
    """Volumetric efficiency at pressure ratio 1, 0.5 to 1."""
    throttle_kv_m3_h: float = 0.45
    """Flow coefficient of CV-103 fully open, or of the fixed restriction that stands in its place."""
    push_pull_kv_m3_h: float = 0.6
    """Flow coefficient of XV-104, with the other two alike."""
    takes_throttled_liquid: bool = True
    """Built to swallow liquid through a fixed restriction or CV-103 (oil-less recovery compressor)."""
    liquid_fraction_high: float = 0.045
    """Liquid, as a share of the volume at the suction, up to which the throttle may open, 0.005 to 0.3. What an
    oil-less recovery compressor swallows for good is an engineering estimate, no source; ask its maker."""


class Limits(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Safety limits and the allowances of the cause-and-effect table. None has a default."""

    discharge_high_pa_abs: float
    discharge_high_degc: float
    compression_ratio_high: float
    cylinder_high_fraction: float
    """Cylinder pressure trip as a fraction of its service pressure (gauge), at most 1.0."""
    cylinder_pause_fraction: float
    """Cylinder pressure at which the rig pauses for cooling, below `cylinder_high_fraction`."""
    cylinder_high_degc: float
    cylinder_warm_degc: float
    fill_reserve_kg: float
    """Kept free below the fill limit for what hoses and cooler still hold."""
    second_estimate_uncertainty: float
    """How far the flow by the compressor's nameplate may be off, relative, 0.02 to 0.5: the unit of the spreads that
    the fill estimate without the scale begins with (`rigctl.control.sense.fill`)."""
    estimates_disagree_kg: float
    """Allowed difference between the scale and the nameplate alone, besides the standard uncertainty of the latter."""
    scale_step_kg: float
    """A change faster than any flow: the scale was knocked."""
    scale_disturbed_s: float
    """How long the scale may be disturbed before the rig holds."""
    scale_frozen_kg: float
    """Mass that must have flowed by the second estimate while the scale shows nothing."""
    scale_falling_kg: float
    """Loss from the highest net weight while recovering that means a leak."""
    dead_head_rise_pa_s: float
    """Discharge pressure rise with no weight gain that means there is no way out."""
    dead_head_s: float
    suction_not_falling_s: float
    """Pumping vapor this long with neither pressure fall nor weight gain means a closed or blocked way in."""
    suction_fast_fall_s: float
    """Header pressure fallen from appliance level to `suction_starved_pa_abs` within this time: closed or "
    "iced inlet."""
    suction_starved_pa_abs: float
    freeze_guard_k: float
    """Margin above 0 degC of saturation temperature kept while water without proved flow is present."""
    gas_alarm_lfl: float
    readback_s: float
    scan_overrun_s: float
    """A scan later than this trips."""
    air_allowance_pa: float
    """Cylinder pressure above saturation at its temperature that means non-condensables."""
    appliance_high_degc: float
    """Push-pull presses on the appliance: to no more than saturation at this temperature where its design pressure is
    not declared."""


class Instruments(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How far the instruments can be trusted."""

    reading_max_age_s: float
    pressure_uncertainty_pa: float
    scale_uncertainty_kg: float
    """Standard uncertainty of a net weight, calibration and drift included."""
    scale_noise_kg: float
    scale_resolution_kg: float
    temperature_uncertainty_k: float = 1.0


class Procedure(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Figures of the procedure and the time limit of every phase."""

    line_up_limit_s: float
    liquid_limit_s: float
    vapor_limit_s: float
    standing_limit_s: float
    clear_out_limit_s: float
    isolate_limit_s: float
    holding_limit_s: float
    restarting_limit_s: float
    stopping_limit_s: float
    aborting_s: float
    """How long the rig settles in ABORTING before ABORTED."""
    standing_s: float
    """Length of the standing check."""
    standing_settle_s: float
    """Time for the lines to come to one pressure before the check counts."""
    standing_repeats: int
    """Failed standing checks before the rig asks a person."""
    dwell_s: float
    """How long the target pressure must hold while pumping."""
    pull_fraction: float
    """How far below the required level the first pull goes, as a fraction of it, 0.2 to 0.98."""
    pull_floor_pa_abs: float
    """No pull goes below this."""
    clear_out_level_pa_abs: float
    liquid_position: float
    """CV-103 opening while liquid comes, 0.02 to 1."""
    liquid_end_ratio: float
    """Rise of PT-102 over PT-101 against its running reference that ends the liquid."""
    liquid_end_flow: float
    """Fall of the weight slope against its reference that ends the liquid."""
    valve_stroke_s: float
    """Time a valve needs; nothing starts against a valve still moving."""
    scale_steady_s: float
    pt_tolerance_k: float
    """Tolerance of the refrigerant check, as temperature."""
    empty_appliance_pa_abs: float
    """Below this at line-up there is nothing to recover."""
    compressor_min_off_s: float
    """No short cycling of the motor."""
    throttle_ramp_s: float = 20.0
    """Time CV-103 takes from the liquid position to fully open once vapor comes."""
    push_pull_limit_s: float = 3600.0
    """Push-pull that takes longer goes over to drawing liquid through the compressor."""


class Job(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What is to be emptied, for whom, to which level."""

    name: str
    refrigerant: str
    appliance: str
    technician: str
    site: str
    date: str
    """ISO date of the work; cylinders are checked against it."""
    level_pa_abs: float
    level_text: str
    level_source: str
    charge_kg: float | None = None
    """Declared charge; None when the label cannot be read."""
    water_side: bool = False
    """Water stands in the exchanger (chiller, water-cooled condenser) and is not drained."""
    ambient_degc: float = 25.0
    liquid_first: bool = True
    """False when the appliance has no reachable liquid port."""
    vapor_inlet_with_liquid: bool = False
    """Open the vapor inlet too during the liquid phase (helps where the liquid port is the narrow one)."""
    design_pressure_pa_gauge: float | None = None
    """The appliance's design pressure (PS), the lowest on its plate; None when not declared."""
    scale_usable: bool = True
    """False when the cylinder cannot be weighed, in a bucket of ice water for example: the rig goes by the second fill
    estimate alone, the fill limit is lowered by twice its uncertainty, and the record says so."""


class Bath(enum.Enum):
    """What a cylinder stands in."""

    UNKNOWN = "unknown"
    AIR = "air"
    WATER = "water"
    ICE = "ice"


class Hookup(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How the rig is hooked up to the appliance, as far as the technician has said; None is not said.

    Nothing that the rig does hangs on it: it only tells which remedies there are to be named.
    """

    liquid_core_in: bool | None = None
    """The valve core is left in the liquid port."""
    vapor_core_in: bool | None = None
    liquid_hose_bore_m: float | None = None
    liquid_hose_length_m: float | None = None
    vapor_hose_bore_m: float | None = None
    vapor_hose_length_m: float | None = None
    manifold: bool | None = None
    """The suction hoses go through a gauge manifold, not a tee."""
    dip_tube: bool | None = None
    """The hose is on the cylinder's port with the dip tube."""
    cylinder_bath: Bath = Bath.UNKNOWN
    fan: bool | None = None
    """A fan blows on the appliance's coil."""


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """All settings of one job on one rig."""

    rig: str
    units: Units
    """How the rig's sentences write their numbers."""
    scan_period_s: float
    fitted: Fitted
    protection: Protection
    compressor: Compressor
    limits: Limits
    instruments: Instruments
    procedure: Procedure
    job: Job
    cylinder: Cylinder
    hookup: Hookup = Hookup()
    simulated: bool = False
    """No real rig stands behind the readings; the record says so."""
    commissioned: str = ""
    """Date of the rig's valid commissioning sheet; "" without one."""


class UnsafeSettingsError(ValueError):
    """The settings can't be run safely; the message is one sentence that says why and what to change."""


def _physics(settings: Settings) -> list[str]:
    limits, fitted, compressor = settings.limits, settings.fitted, settings.compressor
    wrong = []
    if not 0.0 < limits.cylinder_pause_fraction < limits.cylinder_high_fraction <= 1.0:
        wrong.append(
            "limits.cylinder_pause_fraction must lie below limits.cylinder_high_fraction, and that at most at 1.0: "
            "the service pressure of a cylinder may not be exceeded even for a moment."
        )
    if not limits.cylinder_warm_degc < limits.cylinder_high_degc <= 55.0:
        wrong.append(
            "limits.cylinder_warm must lie below limits.cylinder_high, and that at most at 55 degC, the temperature "
            "up to which a correctly filled cylinder is not liquid-full."
        )
    if not settings.procedure.pull_floor_pa_abs < settings.job.level_pa_abs:
        wrong.append(
            "procedure.pull_floor must lie below the level this job requires, else no pull can reach it; lower it."
        )
    if not fitted.cv_103 and not compressor.takes_throttled_liquid:
        wrong.append(
            "CV-103 is not fitted and the compressor does not take throttled liquid: it would be slugged; "
            "fit CV-103 or use a compressor built for liquid."
        )
    if limits.fill_reserve_kg <= 0.0:
        wrong.append(
            "limits.fill_reserve must be above zero: hoses and cooler still hold refrigerant when the inlets shut."
        )
    if settings.scan_period_s > limits.scan_overrun_s:
        wrong.append("limits.scan_overrun must be longer than the scan period, else every scan trips.")
    if settings.instruments.reading_max_age_s < settings.scan_period_s:
        wrong.append("instruments.reading_max_age must be at least one scan period, else every reading is stale.")
    if limits.discharge_high_pa_abs <= settings.job.level_pa_abs:
        wrong.append("limits.discharge_high lies below the level to be reached; check the pressure and its unit.")
    return wrong


def _push_pull(settings: Settings) -> list[str]:
    fitted = settings.fitted
    wrong = []
    if not (fitted.cooler_valves and fitted.cv_103 and fitted.xv_101 and fitted.xv_102):
        wrong.append(
            "Push-pull needs XV-201 to XV-204 (the discharge must be cut off from the cylinder), CV-103 and both inlet "
            "valves: fit them, or do without XV-104 to XV-106."
        )
    if not fitted.pt_001:
        wrong.append(
            "Push-pull presses on the appliance while the header sees the cylinder, and without PT-001 nobody knows "
            "the appliance's pressure: fit it, or do without XV-104 to XV-106."
        )
    return wrong


def appliance_ceiling_pa_abs(settings: Settings) -> float:
    """Return the most that the rig may press on the appliance: nine tenths of its declared design pressure.

    A relief valve opens at the design pressure; a tenth below it stays shut (common practice, no source). Where no
    design pressure is declared, saturation at `limits.appliance_high_degc`.
    """
    design = settings.job.design_pressure_pa_gauge
    if design is not None:
        return 0.9 * design + ATMOSPHERE_PA_ABS
    return catalogue.get(settings.job.refrigerant).bubble_pressure_pa_abs(settings.limits.appliance_high_degc)


def unsafe(settings: Settings) -> tuple[str, ...]:
    """Why these settings may not be run: one sentence each, empty when they may.

    Covers what no single field can show: protection that must exist in hardware, equipment that only makes
    sense together, and what this job needs of this rig.
    """
    fitted, job = settings.fitted, settings.job
    missing = {
        "hardware_pressure_switch": "a pressure switch in the motor circuit must stop the compressor without software",
        "emergency_stop": "a person must be able to drop all outputs without software",
        "cylinder_relief_valve": "a cylinder without its relief valve may not be filled",
        "trapped_liquid_relief": "on a power cut the valves spring shut and may lock liquid in a line",
        "output_watchdog": "outputs must drop by themselves when the controller stops",
    }
    wrong = [
        f"protection.{name} must be true: {why}."
        for name, why in missing.items()
        if not getattr(settings.protection, name)
    ]
    if not (fitted.xv_101 or fitted.xv_102):
        wrong.append("Neither XV-101 nor XV-102 is fitted: the rig needs at least one inlet valve.")
    if not job.scale_usable and not fitted.pt_102:
        wrong.append(
            "job.scale_usable is false and the rig has no PT-102: without both nobody sees when the liquid has ended, "
            "and the fill would be anyone's guess; use a scale, or fit PT-102."
        )
    if fitted.m_202 and not fitted.cooler_valves:
        wrong.append(
            "M-202 stirs the bath of a sub-cooling coil, and without XV-201 to XV-204 the liquid in the coil cannot be "
            "cleared out at the end: fit them, or do without the coil."
        )
    if fitted.push_pull:
        wrong += _push_pull(settings)
    if fitted.pt_102 and not fitted.cv_103 and not settings.compressor.takes_throttled_liquid:
        wrong.append("PT-102 is fitted but there is no restriction before it to compare with PT-101.")
    flammable = catalogue.get(job.refrigerant).flammable
    if flammable and not fitted.at_001:
        wrong.append(f"{job.refrigerant} is flammable and the rig has no gas detector AT-001: not with this rig.")
    if job.water_side and not fitted.fs_001:
        wrong.append(
            "Water stands in the exchanger and the rig has no flow proof FS-001: drain the water (water_side "
            "= false) or use a rig that can prove the flow."
        )
    try:
        fill_limit(catalogue.get(job.refrigerant), settings.cylinder.water_capacity_kg)
    except CylinderError as error:
        wrong.append(str(error))
    return tuple(wrong + _physics(settings))
