"""HOLDING: the way to HELD; lines are emptied first when a cylinder is to come off."""

from __future__ import annotations

from math import nan

import msgspec

from rigctl.control import notation
from rigctl.control.procedure.clearing import CAN_CLEAR, cooler_can_be_emptied, stand_down, standing_down
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish
from rigctl.control.procedure.work import Work
from rigctl.control.protect.table import TABLE
from rigctl.control.vocabulary import Ask, Phase, Shape, Step


def judge(w: Work, f: Facts) -> None:
    stand_down(w, f, w.settings.procedure.holding_limit_s)


def enter(w: Work, f: Facts, was: Phase) -> None:
    resume_to: Phase = Phase.VAPOR if was is Phase.STANDING else was
    if f.change_asked:
        w.ask, resume_to = Ask.CHANGE_CYLINDER, w.resume_to
        serial = w.on_scale.cylinder.serial
        w.sentence = f"Change cylinder {serial}: close its valve, put the next one on, then restart."
    elif f.too_little:
        w.ask, w.sentence = Ask.CHECK_CHARGE, _say_too_little(w)
    elif f.standing_gave_up and f.standing_failed and w.standing.shape is Shape.LEAK:
        w.ask, w.sentence = Ask.FIND_LEAK, _say_leaks(w)
        w.pull.giving = msgspec.structs.replace(w.pull.giving, even_pa_s=nan, even_since_s=nan)  # a person knows now
    elif f.standing_gave_up and f.standing_failed:
        w.ask, w.sentence = Ask.WARM_APPLIANCE, _say_came_back(w)
    elif f.must_hold:
        row = TABLE[w.permits.hold]
        w.ask, w.sentence = row.ask, row.say(w.x)
        w.tell("hold", row.tag, w.sentence)
    elif was is Phase.LIQUID and f.liquid_gone and f.hose_must_move:
        w.ask, resume_to = Ask.HOSE_TO_VAPOR, Phase.VAPOR
        w.sentence = "The liquid has gone over. Move the hose to the appliance's vapor port, then restart."
    else:
        w.ask, w.sentence = Ask.CONFIRM, "Held on request. Restart or stop."
    # A person will take the cylinder off: the lines to it are emptied first. Otherwise just stand by.
    change = w.ask is Ask.CHANGE_CYLINDER
    # Not where the way has to stay shut: no cylinder may stand behind it.
    may_open = w.lines.moved and not (w.lines.path_shut or w.on_scale.off)
    can_clear = may_open and (was in CAN_CLEAR or f.change_asked) and cooler_can_be_emptied(w)
    w.step = (Step.EMPTYING if can_clear else Step.SHUTTING) if change else Step.STANDING_BY
    w.lines.uncleared = w.lines.uncleared or (change and w.lines.moved and not can_clear)
    w.resume_to = resume_to


def _say_too_little(w: Work) -> str:
    came = notation.mass(max(0.0, w.recovered_kg()), w.settings.units)
    declared = notation.mass(w.settings.job.charge_kg or 0.0, w.settings.units)
    return (
        f"The level holds, but only {came} of the declared {declared} came out. "
        "See that every service valve is open and no part is shut off; restart to pull once more."
    )


def _say_leaks(w: Work) -> str:
    rate = notation.pressure_difference(60.0 * w.pull.giving.even_pa_s, w.settings.units)
    return (
        f"The shut-in appliance rises by {rate} a minute, no slower than "
        f"{notation.duration(w.now_s - w.pull.giving.even_since_s)} ago: air leaks in. Find the leak at ports, caps "
        "and hoses and stop it; then restart, or stop the job."
    )


def _say_came_back(w: Work) -> str:
    cause = {
        Shape.OIL: "refrigerant still boils out of the oil. Warm the compressor's shell",
        Shape.LIQUID: "liquid is left. Warm the coldest spot and see that no part is shut off",
    }.get(
        w.standing.shape,
        "refrigerant still boils out of the oil, liquid is left, or the appliance leaks. Warm the compressor's shell "
        "and the coldest spot",
    )
    ahead, units = w.before.standing.outlook, w.settings.units
    back = f"The pressure came back to {notation.pressure(w.s.p_appliance, units)}"
    if ahead is not None and not w.s.p_appliance > w.settings.job.level_pa_abs:
        back += f", and would go on to some {notation.pressure(ahead.kept_pa_abs, units)},"
    return f"{back} after {w.standing.repeats} pulls: {cause}, then restart to pull again, or stop."


def wants(wish: Wish) -> int:
    return standing_down(wish)
