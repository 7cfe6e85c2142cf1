"""Faults that can be asked for by name, and how they are written after `--fault`."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, nan
from typing import TYPE_CHECKING, Any, Final

from rigctl.console import MistakeError

if TYPE_CHECKING:
    from hil_sim.instruments.faults import Fault


@dataclass(frozen=True, slots=True)
class NamedFault:
    """A fault that can be asked for by name."""

    tag: str
    """Where; "" changes what stands there from the start instead."""
    kind: str
    """A value of `FaultKind` or `PlantFault`."""
    meaning: str
    at_s: float = 60.0
    value: float = nan
    lasts_s: float = inf


FAULTS: Final[dict[str, NamedFault]] = {
    "closed-cylinder-valve": NamedFault("plant", "cylinder valve shut", "somebody shuts the cylinder's hand valve"),
    "stuck-valve": NamedFault("XV-301", "stuck", "XV-301 shuts and stays shut", value=0.0),
    "stuck-inlet": NamedFault("XV-102", "stuck", "the vapor inlet stays shut", at_s=0.0, value=0.0),
    "slow-valve": NamedFault("XV-102", "slow", "the vapor inlet takes 20 s for its stroke", at_s=0.0),
    "closed-port": NamedFault("plant", "port shut", "the appliance's service ports are shut"),
    "iced-inlet": NamedFault("plant", "iced inlet", "ice all but closes the inlet", at_s=90.0),
    "leak": NamedFault("plant", "leak", "a hose leaks beside the cylinder", value=1e-6),
    "appliance-leak": NamedFault("plant", "appliance leak", "the appliance itself has a small hole", at_s=0.0),
    "blocked-condenser": NamedFault("plant", "condenser blocked", "a cover keeps the air from the rig's condenser"),
    "air-in-cylinder": NamedFault("plant", "air in cylinder", "air in the cylinder that was put on", at_s=0.0),
    "stopped-water": NamedFault("plant", "water stopped", "the water through the exchanger stops", at_s=300.0),
    "knocked-scale": NamedFault("plant", "scale knocked", "somebody bumps into the scale", value=3.0),
    "leaning-bucket": NamedFault("plant", "scale moved", "a bucket is put on the edge of the scale", value=1.5),
    "lifted-cylinder": NamedFault("plant", "scale removed", "the cylinder is lifted off the scale"),
    "frozen-scale": NamedFault("WT-301", "stuck", "the scale shows the same figure for ever"),
    "dead-scale": NamedFault("WT-301", "off", "the scale does not answer"),
    "wild-scale": NamedFault("WT-301", "garbage", "the scale shows nonsense"),
    "dead-suction-gauge": NamedFault("PT-101", "off", "the suction transmitter's loop breaks"),
    "false-discharge-gauge": NamedFault("PT-201", "wrong", "the discharge transmitter shows 10 bar less", value=-10e5),
    "loose-wire": NamedFault("PT-201", "intermittent", "a loose contact at the discharge transmitter"),
    "dead-compressor": NamedFault("M-101", "off", "the compressor does not run"),
    "dead-fan": NamedFault("M-201", "off", "the condenser's fan does not run"),
    "gas-alarm": NamedFault("AT-001", "wrong", "refrigerant in the air beside the rig", value=0.4, lasts_s=120.0),
    "emergency-stop": NamedFault("HS-001", "off", "somebody presses the emergency stop for a minute", lasts_s=60.0),
    "power-cut": NamedFault("plant", "power cut", "the supply fails for a minute", at_s=100.0, lasts_s=60.0),
    "empty-appliance": NamedFault("", "empty", "there is next to nothing in the appliance", at_s=0.0),
    "wrong-refrigerant": NamedFault("", "refrigerant", "the appliance holds another refrigerant", at_s=0.0),
}
"""What can be made to go wrong for show, by name."""


def fault_of(text: str) -> tuple[NamedFault, str]:
    """Read NAME[@SECONDS] or TAG:KIND[=VALUE][@SECONDS]; returns the fault and its name.

    Raises
    ------
    MistakeError
        When there is no such fault or the figures are none.
    """
    import difflib
    from dataclasses import replace

    name, _, when = text.partition("@")
    if ":" in name:
        tag, _, kind = name.partition(":")
        kind, _, value = kind.partition("=")
        fault = NamedFault(tag.strip(), kind.strip(), name, value=_number(value, text) if value else nan)
    elif name in FAULTS:
        fault = FAULTS[name]
    else:
        near = difflib.get_close_matches(name, FAULTS, n=1)
        hint = f'did you mean "{near[0]}"?' if near else "--list-faults names them all."
        raise MistakeError(f'there is no fault "{name}"; {hint}')
    if when:
        if not fault.tag:
            raise MistakeError(f'--fault {text}: "{name}" is so from the start; leave "@{when}" out.')
        fault = replace(fault, at_s=_number(when.removesuffix("s"), text))
        if fault.at_s < 0.0:
            raise MistakeError(f"--fault {text}: a fault cannot begin before the start; give 0 or more seconds.")
    return fault, name


def _number(text: str, whole: str) -> float:
    from math import isfinite

    try:
        value = float(text)
    except ValueError:
        value = nan
    if not isfinite(value):
        raise MistakeError(f'--fault {whole}: "{text}" is no number; write for example knocked-scale@120.')
    return value


def made(fault: NamedFault, text: str) -> Fault:
    """The fault itself.

    Raises
    ------
    MistakeError, UnsupportedFaultError
        When there is no such kind of fault, or not at this place.
    """
    from hil_sim.instruments import faults

    kinds: dict[str, Any] = {kind.value: kind for kind in (*faults.FaultKind, *faults.PlantFault)}
    if fault.kind not in kinds:
        raise MistakeError(f'--fault {text}: "{fault.kind}" is no kind of fault; known: {", ".join(kinds)}.')
    return faults.Fault(fault.tag, kinds[fault.kind], fault.at_s, fault.at_s + fault.lasts_s, fault.value)
