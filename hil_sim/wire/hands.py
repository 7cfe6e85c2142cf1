"""What is asked over the control socket, done to the bench: faults, hands, and a look at the truth."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import inf
from typing import TYPE_CHECKING, Any, Final

from hil_sim.fault_names import fault_of, made
from hil_sim.instruments.faults import Fault, PlantFault
from hil_sim.people import Deed
from hil_sim.plant.truth import by_name
from hil_sim.wire.control import Answer, ControlError
from rigctl.console import MistakeError

if TYPE_CHECKING:
    from hil_sim.bench import Bench
    from rigctl.control.settings import Cylinder

SPEEDS: Final = (0.05, 100.0)
"""Least and most; beyond, the plant does not keep the pace."""
_DEEDS: Final = {
    "open-appliance": (Deed.OPEN_PORTS, "The service ports were opened."),
    "open-cylinder": (Deed.OPEN_CYLINDER_VALVE, "The cylinder valve was opened."),
    "hose-to-liquid": (Deed.HOSE_TO_LIQUID, "The hose was put on the liquid port."),
    "hose-to-vapor": (Deed.HOSE_TO_VAPOR, "The hose was put on the vapor port."),
    "ice": (Deed.ICE_CYLINDER, "Ice was put round the cylinder."),
    "water-on": (Deed.START_WATER, "The water was started."),
    "clear-scale": (Deed.CLEAR_SCALE, "The scale was cleared."),
    "mend-instruments": (Deed.MEND_INSTRUMENTS, "The instruments were mended."),
    "mend-rig": (Deed.MEND_RIG, "Valves and motors were mended."),
    "stop-leak": (Deed.STOP_LEAK, "The leak was tightened."),
}
_MISHAPS: Final = {
    "shut-appliance": PlantFault.PORT_SHUT,
    "shut-cylinder": PlantFault.CYLINDER_VALVE_SHUT,
    "water-off": PlantFault.WATER_STOPPED,
    "lift-cylinder": PlantFault.SCALE_REMOVED,
}


@dataclass
class Hands:
    """Carries out requests between two steps of the plant."""

    bench: Bench
    spares: Sequence[Cylinder]
    """Cylinders at hand, the next first."""
    speed: float
    how: Callable[[], Answer] = dict
    """What the loop adds to "truth": how it keeps the pace."""
    quit: bool = field(default=False, init=False)
    """Whether the end was asked for."""

    def do(self, request: Mapping[str, Any]) -> Answer:
        """Carry one request out and return what it answers.

        Raises
        ------
        ValueError
            With a sentence: `ControlError`, or that a fault cannot be simulated.
        """
        known: dict[str, tuple[Callable[[Mapping[str, Any]], Answer], tuple[str, ...]]] = {
            "fault": (self._fault, ("name",)),
            "mend": (self._mend, ("tag",)),
            "truth": (self._truth, ()),
            "hand": (self._hand, ("what", "kg")),
            "speed": (self._speed, ("value",)),
            "quit": (self._quit, ()),
        }
        if request["do"] not in known:
            raise ControlError(f'"{request["do"]}" cannot be done; known are {", ".join(known)}.')
        act, keys = known[request["do"]]
        if more := [key for key in request if key not in {"do", *keys}]:
            allowed = f"known are {', '.join(keys)}" if keys else "leave it out"
            raise ControlError(f'"{more[0]}" is no key of "{request["do"]}"; {allowed}.')
        return act(request)

    def _fault(self, request: Mapping[str, Any]) -> Answer:
        name = request.get("name")
        if not isinstance(name, str) or not name:
            raise ControlError(
                'Say which fault: {"do": "fault", "name": "frozen-scale"}, or a name like TT-201:wrong=40.'
            )
        try:
            named, _ = fault_of(name)
            if not named.tag:
                raise MistakeError(f'"{name}" is so from the start; start the plant with it in a scenario instead.')
            # Now, or after so many seconds; times of the catalogue are for whole runs.
            in_s = named.at_s if "@" in name else 0.0
            fault = made(replace(named, at_s=self.bench.time_s + in_s), name)
        except MistakeError as error:
            raise ControlError(str(error).removeprefix("--fault ")) from None
        self.bench.inject(fault)
        return {"begins_s": fault.at_s, "ends_s": fault.until_s if fault.until_s < inf else None}

    def _mend(self, request: Mapping[str, Any]) -> Answer:
        tag = request.get("tag")
        if tag is not None and not isinstance(tag, str):
            raise ControlError('"tag" is the tag of an instrument or output, or "plant"; without it all is mended.')
        self.bench.mend(tag)
        return {}

    def _truth(self, request: Mapping[str, Any]) -> Answer:
        bench = self.bench
        return {
            "time_s": bench.time_s,
            "powered": bench.powered,
            "emergency_stop": bench.emergency_stop,
            "truth": by_name(bench.plant.named_truth()),
            **self.how(),
        }

    def _hand(self, request: Mapping[str, Any]) -> Answer:
        bench, what = self.bench, request.get("what")
        kg = request.get("kg", 3.0)
        if isinstance(kg, bool) or not isinstance(kg, int | float) or not -100.0 <= kg <= 100.0:
            raise ControlError(f'"kg" is {kg!r}; give a number between -100 and 100.')
        if not isinstance(what, str):
            raise ControlError(f"Hands cannot do {what!r}; write a word, like ice.")
        if what in _DEEDS:
            bench.hand(*_DEEDS[what])
        elif what in _MISHAPS:
            bench.inject(Fault("plant", _MISHAPS[what], bench.time_s))
        elif what == "knock-scale":
            bench.sensors.scale.knock(bench.time_s, float(kg))
        elif what == "bucket":
            bench.sensors.scale.pull(float(kg))
        elif what == "press-emergency-stop":
            bench.press_emergency_stop()
        elif what == "release-emergency-stop":
            bench.release_emergency_stop()
        elif what == "change-cylinder":
            if not self.spares:
                raise ControlError("There is no empty cylinder left; the job's file names the spare ones.")
            cylinder, self.spares = self.spares[0], self.spares[1:]
            bench.hand(Deed.CHANGE_CYLINDER, f"Cylinder {cylinder.serial} was put on.", cylinder)
            return {"serial": cylinder.serial}
        else:
            known = [*_DEEDS, *_MISHAPS, "knock-scale", "bucket", "change-cylinder", "press-emergency-stop"]
            raise ControlError(f"Hands cannot do {what!r}; known are {', '.join([*known, 'release-emergency-stop'])}.")
        return {}

    def _speed(self, request: Mapping[str, Any]) -> Answer:
        value = request.get("value")
        low, high = SPEEDS
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise ControlError(f"The speed is {value!r}; give a number from {low:g} to {high:g}.")
        self.speed = float(value)
        return {"speed": self.speed}

    def _quit(self, request: Mapping[str, Any]) -> Answer:
        self.quit = True
        return {}
