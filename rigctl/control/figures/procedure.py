"""Figures of the procedure that are no settings. Each field's docstring ends with where it comes from."""

from __future__ import annotations

import msgspec


class Cylinders(msgspec.Struct, frozen=True):
    """What a cylinder must weigh when it comes on."""

    tare_share: float = 0.02
    """Of its stamped tare: so far from stamp and log a cylinder may weigh, besides the slacks below. From: common
    practice, no source."""
    tare_below_kg: float = 0.2
    """So much less than by stamp and log it may weigh. From: common practice, no source."""
    tare_above_kg: float = 1.0
    """So much more than by stamp and log it may weigh. From: common practice, no source."""


class ClearOut(msgspec.Struct, frozen=True):
    """Emptying and shutting the lines between compressor and cylinder."""

    header_least_s: float = 2.0
    """The motor runs at least so long before the bypass is tried. From: chosen on the simulated rig; no study on
    record."""
    header_most_s: float = 20.0
    """A header that is not down by then never will be: an inlet leaks. From: chosen on the simulated rig; no study on
    record."""
    cooler_most_s: float = 20.0
    """A header that has not risen so long after the cooler should have been let in means that XV-203 is shut. From:
    chosen on the simulated rig; no study on record."""
    cooler_seen_pa: float = 2e4
    """Rise of the header that shows that the cooler has been let in. From: chosen on the simulated rig; no study on
    record."""
    unseen_level_share: float = 0.4
    """Of the level of a clear-out, to which the header goes where no scale shows that the cooler still boils. From:
    chosen on the simulated rig; no study on record."""
    boils_kg_s: float = 5e-4
    """Weight gain above which the cooler is not empty yet. From: chosen on the simulated rig; no study on record."""
    no_room_reserve_share: float = 0.1
    """Of the fill reserve: so near to its limit a cylinder takes no more from the cooler. From: chosen on the simulated
    rig; no study on record."""
    no_room_ahead_s: float = 3.0
    """So long what flows goes on into the cylinder once the cooler is shut. From: chosen on the simulated rig; no study
    on record."""
    header_reserve_share: float = 0.25
    """Of the fill reserve: so near to its limit a cylinder takes no more from the header, and the cooler is not begun
    with. From: chosen on the simulated rig; no study on record."""
    limit_share: float = 0.7
    """Of the time that HOLDING or STOPPING may take: the clear-out is broken off then, the rest is for shutting. From:
    chosen on the simulated rig; no study on record."""
    shut_strokes: float = 3.0
    """Strokes of a valve until all is shut: bypass and cylinder one after the other, and one more for the last to end.
    From: physics, the order of shutting."""
    stand_by_strokes: float = 2.0
    """Strokes of a valve until a rig that only stands by has settled. From: chosen on the simulated rig; no study on
    record."""


class Appliance(msgspec.Struct, frozen=True):
    """What is taken for known of the appliance."""

    unmeasured_k: float = 5.0
    """How far an appliance whose temperature nobody measures may be from the room's. From: engineering estimate, no
    source."""
    may_hold_liquid_share: float = 0.2
    """Of its first pressure: far below it what comes as liquid is the cooler's own. From: chosen on the simulated rig;
    no study on record."""


class Aids(msgspec.Struct, frozen=True):
    """Fans, bath and heater."""

    cooling_on_kg_s: float = 2.0e-3
    """Flow at which condenser fan and bath start to pay while vapor is drawn. From: chosen on the simulated rig; no
    study on record."""
    cooling_off_kg_s: float = 1.2e-3
    """Flow at which condenser fan and bath stop to pay. From: chosen on the simulated rig; no study on record."""
    heat_high_degc: float = 50.0
    """The appliance's heater goes off above this temperature of the appliance. From: chosen on the simulated rig; no
    study on record."""
    heat_back_k: float = 3.0
    """The heater comes on again so far below that. From: chosen on the simulated rig; no study on record."""
    fan_off_k: float = 2.0
    """The appliance's fan goes off so far above the room's temperature, where it would only cool what is being warmed.
    From: chosen on the simulated rig; no study on record."""
    fan_on_k: float = 1.0
    """The fan comes on again below so much above the room's temperature. From: chosen on the simulated rig; no study on
    record."""
    heat_gas_share: float = 0.5
    """Of the gas alarm: above it nothing is heated where the refrigerant is flammable. From: chosen on the simulated
    rig; no study on record."""


class Pauses(msgspec.Struct, frozen=True):
    """Pauses of the motor that end by themselves, and where what spares them begins."""

    near_rating_rest_share: float = 0.005
    """Of the service pressure, below `limits.cylinder_pause_fraction`: where the motor rests. A throttle does not help:
    what is in the cylinder is warm already. From: chosen on the simulated rig; no study on record."""
    near_rating_back_share: float = 0.08
    """Of the service pressure, below `limits.cylinder_pause_fraction`: where the motor may go on. From: chosen on the
    simulated rig; no study on record."""
    hot_ease_k: float = 20.0
    """Below the limit of the discharge temperature: where cooling is switched on whether it pays or not. From: chosen
    on the simulated rig; no study on record."""
    hot_rest_k: float = 4.0
    """Below the limit of the discharge temperature: where the motor rests. From: chosen on the simulated rig; no study
    on record."""
    hot_back_k: float = 25.0
    """Below the limit of the discharge temperature: where the motor may go on. From: chosen on the simulated rig; no
    study on record."""
    cold_ease_k: float = 5.0
    """Saturation above the freeze guard: where the throttle starts to close. From: chosen on the simulated rig; no
    study on record."""
    cold_rest_k: float = 1.0
    """Saturation above the freeze guard: where the motor rests. From: chosen on the simulated rig; no study on
    record."""
    cold_back_k: float = 4.0
    """Saturation above the freeze guard: where the motor may go on. From: chosen on the simulated rig; no study on
    record."""
    rest_least_s: float = 30.0
    """A rest takes at least so long, but for freezing. From: chosen on the simulated rig; no study on record."""
    work_least_s: float = 30.0
    """The motor works at least so long before a rest for the cylinder's sake, which can wait. From: chosen on the
    simulated rig; no study on record."""
    rest_look_s: float = 30.0
    """Every so often a rest is looked at. From: chosen on the simulated rig; no study on record."""
    rest_most_s: float = 300.0
    """A rest that would take longer in all, by what the last look saw, is in vain and becomes a hold. From: chosen on
    the simulated rig; no study on record."""


class Throttle(msgspec.Struct, frozen=True):
    """The opening of CV-103."""

    discharge_ease_share: float = 0.92
    """Of the discharge limit: where the throttle starts to close. From: chosen on the simulated rig; no study on
    record."""
    press_ease_share: float = 0.92
    """In push-pull, of what the appliance may be pressed to: where the throttle starts to close. From: chosen on the
    simulated rig; no study on record."""
    press_ease_pa: float = 4e5
    """In push-pull, discharge above the appliance at which the throttle starts to close: the vapor port is narrow.
    From: chosen on the simulated rig; no study on record."""
    full_header_share: float = 0.4
    """Of the liquid position, while push-pull empties a header that stands full of liquid at the cylinder's pressure:
    little of it boils behind the throttle. From: chosen on the simulated rig; no study on record."""
    full_header_s: float = 10.0
    """So long push-pull takes to empty the header: the first that comes from it is liquid. From: chosen on the
    simulated rig; no study on record."""
    full_cooler_s: float = 10.0
    """So long the throttle stays small in a clear-out: the first that comes from the cooler is liquid. From: chosen on
    the simulated rig; no study on record."""
    ratio_ease_share: float = 0.85
    """Of the compression ratio's limit: where the throttle takes over. From: chosen on the simulated rig; no study on
    record."""
    ratio_aim_share: float = 0.88
    """Of the compression ratio's limit: to which the throttle brings the ratio. From: chosen on the simulated rig; no
    study on record."""
    ratio_left_share: float = 0.7
    """Of the compression ratio's limit: below which the throttle opens again. From: chosen on the simulated rig; no
    study on record."""
    ratio_power_1_s: float = 1.0
    """How fast: each second the opening goes with this power of what is missing of the ratio. From: chosen on the
    simulated rig; no study on record."""
    ratio_from_opening: float = 0.2
    """A throttle further open than this hardly restricts vapor in vacuum: from there it takes over. From: chosen on the
    simulated rig; no study on record."""
    vapor_least_opening: float = 0.02
    """Smallest opening for vapor. From: chosen on the simulated rig; no study on record."""
    soft_start_s: float = 1.5
    """The lines are full of liquid when the motor starts on liquid: the throttle is held back so long. From: chosen on
    the simulated rig; no study on record."""
    soft_start_share: float = 0.3
    """Of the liquid position, to which it is held back then. From: chosen on the simulated rig; no study on record."""
    closed_share: float = 0.4
    """Of the liquid position: the throttle closes no further. From: chosen on the simulated rig; no study on record."""
    liquid_widest_opening: float = 0.8
    """Most opening while liquid comes. From: chosen on the simulated rig; no study on record."""
    liquid_seen_s: float = 8.0
    """Pressures over the throttle say nothing about liquid sooner after a start. From: chosen on the simulated rig; no
    study on record."""
    liquid_set_s: float = 20.0
    """From so long after a start the throttle is left alone: one that moves hides the liquid's end. From: chosen on the
    simulated rig; no study on record."""
    liquid_wider_share: float = 0.7
    """Of the liquid that the suction may hold: with less behind it the throttle opens. Where PT-102 is fitted so much
    comes through the compressor. From: 59 simulated jobs of chiller size, the middle half within a tenth of the rate
    that follows; seeds not on record."""
    liquid_ramp_share: float = 0.5
    """Of the ramp: so slowly the throttle opens on liquid. From: chosen on the simulated rig; no study on record."""
    nearly_full_kg: float = 1.0
    """So near to the hold for a full cylinder the throttle goes no wider than for any liquid: a scale may lag. From:
    chosen on the simulated rig; no study on record."""
    pressed_power: float = 2.0
    """On an appliance that has been pressed up the liquid position goes with this power of its first pressure over the
    present one. From: chosen on the simulated rig; no study on record."""
    ease_times: float = 2.0
    """The throttle closes so much faster than it opens. From: chosen on the simulated rig; no study on record."""
    liquid_back_times: float = 2.0
    """And so much faster still when liquid comes back while vapor is drawn. From: chosen on the simulated rig; no study
    on record."""
    liquid_back_ease_s: float = 2.0
    """So long more must arrive than vapor can explain before the throttle closes. From: chosen on the simulated rig; no
    study on record."""


class LineUp(msgspec.Struct, frozen=True):
    """What the line-up waits for."""

    grace_s: float = 15.0
    """A check may take so long to come good before it counts as failed. From: chosen on the simulated rig; no study on
    record."""
    filling_s: float = 180.0
    """The rig's own volumes may take so long to fill from the appliance before its pressure is judged. From: chosen on
    the simulated rig; no study on record."""
    connected_strokes: float = 4.0
    """Strokes of a valve from the opening of the inlet until the line-up may pass. From: chosen on the simulated rig;
    no study on record."""


class PushPull(msgspec.Struct, frozen=True):
    """Push-pull: begun, judged and ended."""

    start_share: float = 0.92
    """Of what the appliance may be pressed to: push-pull is not begun with one that stands nearer to it. From: chosen
    on the simulated rig; no study on record."""
    press_pa: float = 3e4
    """XV-104 opens when the appliance stands so far above the cylinder, else liquid would run back. From: chosen on the
    simulated rig; no study on record."""
    press_most_s: float = 60.0
    """So long the compressor may take to bring that about. From: chosen on the simulated rig; no study on record."""
    press_strokes: float = 2.0
    """Strokes of a valve before XV-104 may open. From: chosen on the simulated rig; no study on record."""
    draw_down_share: float = 0.7
    """Of `press_most_s`: a cylinder that would take longer to come below the appliance is not begun with. From: chosen
    on the simulated rig; no study on record."""
    least_press_pa: float = 5e3
    """With the appliance less above the cylinder the flow across counts as low. From: chosen on the simulated rig; no
    study on record."""
    judged_from_s: float = 15.0
    """The flow across is not judged sooner. From: chosen on the simulated rig; no study on record."""
    low_s: float = 6.0
    """So long the flow across must be low to count. From: chosen on the simulated rig; no study on record."""
    pressing_s: float = 90.0
    """By then the compressor should have made the pressure difference that the line needs. From: chosen on the
    simulated rig; no study on record."""
    best_forgotten_s: float = 120.0
    """Time in which the best flow so far is forgotten: the flow falls as the cylinder warms. From: chosen on the
    simulated rig; no study on record."""
    dry_share: float = 0.2
    """Of the flow of boiling liquid: vapor through the same line makes some 0.3 of it (both choked); less than this
    means that the way across is shut. From: chosen on the simulated rig; no study on record."""
    end_share: float = 0.97
    """Of what the appliance may be pressed to: where push-pull ends by itself. From: chosen on the simulated rig; no
    study on record."""
    end_time_share: float = 0.95
    """Of its time limit: when push-pull ends by itself. From: chosen on the simulated rig; no study on record."""
    going_over_scans: float = 1.5
    """Scans, besides a valve's stroke, for which both ways stay open on going over to the ordinary one. From: chosen on
    the simulated rig; no study on record."""


class Liquid(msgspec.Struct, frozen=True):
    """When the liquid has ended, by pressure."""

    gone_target_times: float = 1.5
    """Of the pull's target: with the appliance below it no liquid is left. From: chosen on the simulated rig; no study
    on record."""
    header_down_s: float = 20.0
    """How long the header must be down before that counts as the appliance's pressure, where PT-001 is missing. From:
    chosen on the simulated rig; no study on record."""


class Vapor(msgspec.Struct, frozen=True):
    """When vapor is drawn no longer."""

    blows_share: float = 0.95
    """Header over discharge pressure above which the compressor's valves may stand open. From: chosen on the simulated
    rig; no study on record."""
    most_liquid_returns: int = 6
    """The procedure goes back to the liquid at most so often: every job ends. From: chosen on the simulated rig; no
    study on record."""
    returns_after_s: float = 5.0
    """How long more must arrive than vapor can explain before the rig goes back to drawing liquid. From: chosen on the
    simulated rig; no study on record."""
    spent_after_s: float = 50.0
    """So long without a lower pressure, below the level, and a pull has done what it can. From: chosen on the simulated
    rig; no study on record."""
    spent_ratio_share: float = 0.95
    """Of the compression ratio's limit: a pull that is below the level has done what it can, too. From: chosen on the
    simulated rig; no study on record."""


class Standing(msgspec.Struct, frozen=True):
    """What a standing check comes to."""

    too_little_share: float = 0.5
    """Of the declared charge: with less, and the level held, the rig asks before it ends. From: chosen on the simulated
    rig; no study on record."""
    tighten_share: float = 0.7
    """Of the target before: where nothing else tells how much the oil still gives, a pull after a failed check goes at
    least so low. From: chosen on the simulated rig; no study on record."""
    far_above_share: float = 0.5
    """Of the uncertainty of a pressure: one reading so far above the level is more than noise. From: chosen on the
    simulated rig; no study on record."""


class Held(msgspec.Struct, frozen=True):
    """What is made of a scale that was handled while the rig was held."""

    scale_moves_kg: float = 0.03
    """From one scan to the next: the scale is still on its way after handling, and no figure of it counts yet. From:
    chosen on the simulated rig; no study on record."""
    owed_times: float = 1.3
    """Of what a scale that stood still may owe by the pump: so much it may show at once, besides
    `limits.scale_step_kg`. From: chosen on the simulated rig; no study on record."""


class Restarting(msgspec.Struct, frozen=True):
    """What a restart waits for."""

    ready_strokes: float = 2.0
    """Strokes of a valve before the work goes on. From: chosen on the simulated rig; no study on record."""


class Procedure(msgspec.Struct, frozen=True):
    """All figures of the procedure, by subject."""

    cylinders: Cylinders = Cylinders()
    clear_out: ClearOut = ClearOut()
    appliance: Appliance = Appliance()
    aids: Aids = Aids()
    pauses: Pauses = Pauses()
    throttle: Throttle = Throttle()
    line_up: LineUp = LineUp()
    push_pull: PushPull = PushPull()
    liquid: Liquid = Liquid()
    vapor: Vapor = Vapor()
    standing: Standing = Standing()
    held: Held = Held()
    restarting: Restarting = Restarting()
