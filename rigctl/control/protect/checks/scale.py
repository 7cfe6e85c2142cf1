"""Checks of the scale: unfit, disturbed, frozen, contradicted, falling."""

from __future__ import annotations

from rigctl.control.protect.row import in_m, say_unfit
from rigctl.control.protect.situation import Situation


def unfit(x: Situation) -> bool:
    return (x.taking or x.line_up) and not x.s.scale_ok


def say_unfit_scale(x: Situation) -> str:
    return say_unfit("The scale WT-301", x.readings.wt_301_kg, x) + " Then restart."


def disturbed(x: Situation) -> bool:
    return (x.taking or x.line_up) and x.s.disturbed_s > x.settings.limits.scale_disturbed_s


def say_disturbed(x: Situation) -> str:
    return (
        "The weight jumped as no flow can make it. Put cylinder and hose back so that nothing touches the "
        "scale, let it come to rest, then restart; the mass so far is kept."
    )


def frozen(x: Situation) -> bool:
    stuck = x.s.was_flowing and x.s.same_pumped_kg > x.figures.scale.stuck_pumped_kg
    return x.taking and (stuck or (x.s.frozen_share and x.s.anchor_pumped_kg > x.settings.limits.scale_frozen_kg))


def say_frozen(x: Situation) -> str:
    return (
        f"The compressor moved about {in_m(x, max(x.s.anchor_pumped_kg, x.s.same_pumped_kg))} and the scale shows "
        f"{in_m(x, x.s.anchor_gain_kg)} of it. "
        "See that the cylinder stands free on the scale and its valve is open, then restart."
    )


def disagrees(x: Situation) -> bool:
    allowed = x.settings.limits.estimates_disagree_kg + x.s.second_spread_kg
    excess = x.s.second_raw_kg - x.s.net_kg - x.excess_accepted_kg
    k = x.figures.scale
    # A scale that shows more than was pumped errs on the safe side and gets more room.
    above_kg = k.above_slack_kg + k.above_allowed_times * allowed
    return x.taking and x.s.scale_ok and (excess > allowed or -excess > above_kg)


def say_disagrees(x: Situation) -> str:
    return (
        f"The scale says {in_m(x, x.s.net_kg)} went in, the compressor's displacement says "
        f"{in_m(x, x.s.second_raw_kg)}. Check the scale with a known weight, then restart or change the cylinder."
    )


def falling(x: Situation) -> bool:
    limits = x.settings.limits
    # While the way is open a cooler colder than the cylinder may draw some back; that much is no leak.
    allowed = limits.scale_falling_kg + (limits.fill_reserve_kg if x.filling else 0.0)
    return (
        x.active
        and not x.attended
        and not x.cylinder_off
        and x.s.scale_ok
        and x.s.disturbed_s == 0.0
        and x.s.net_high_kg - x.s.net_kg > allowed
    )


def say_falling(x: Situation) -> str:
    return (
        f"The cylinder has lost {in_m(x, x.s.net_high_kg - x.s.net_kg)} while it should gain: a leak behind XV-301 "
        "or a lifted hose. Air the place, find the leak, then reset."
    )
