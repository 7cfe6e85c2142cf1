"""What a revision offers, found by name: the one module that knows where things stand, today and after a move."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from functools import cache
from pathlib import Path
from types import SimpleNamespace

PLACES = {
    # name: where it is looked for first; what is nowhere there is searched for in the whole of rigctl or hil_sim
    "step": ("rigctl.scan", "rigctl.control.scan", "rigctl.control.controller"),
    "initial": ("rigctl.scan", "rigctl.control.scan", "rigctl.control.controller"),
    "after_power_loss": ("rigctl.scan", "rigctl.control.scan", "rigctl.control.controller"),
    "Reading": ("rigctl.control.readings",),
    "Readings": ("rigctl.control.readings",),
    "Request": ("rigctl.control.readings",),
    "RequestKind": ("rigctl.control.readings",),
    "Source": ("rigctl.control.readings",),
    "Fault": ("rigctl.control.readings",),
    "ABSENT": ("rigctl.control.readings",),
    "OUTPUT_TAGS": ("rigctl.control.points",),
    "Outputs": ("rigctl.control.points",),
    "unsafe": ("rigctl.control.settings",),
    "Phase": ("rigctl.control.sequence",),
    "Ask": ("rigctl.control.interlocks",),
    "AlarmState": ("rigctl.control.interlocks",),
    "TABLE": ("rigctl.control.interlocks",),
    "rows_fitted": ("rigctl.control.interlocks",),
    "table": ("rigctl.control.interlocks",),
    "load_rig": ("rigctl.config",),
    "load_job": ("rigctl.config",),
    "settings_for": ("rigctl.config",),
    "Bench": ("hil_sim.bench", "hil_sim.bench.bench"),
    "scenario": ("hil_sim.bench", "hil_sim.bench.bench"),
    "Operator": ("hil_sim.people", "hil_sim.operator"),
    "Deed": ("hil_sim.people", "hil_sim.operator"),
    "load_appliance": ("hil_sim.scenario",),
    "load_setup": ("hil_sim.scenario",),
    "prepare_scenario": ("hil_sim.simulation", "hil_sim.cli"),
    "PlantFault": ("hil_sim.instruments.faults", "hil_sim.faults"),
    "FaultKind": ("hil_sim.instruments.faults", "hil_sim.faults"),
    "SUPPORTED": ("hil_sim.instruments.faults", "hil_sim.faults"),
    "place_of": ("hil_sim.instruments.faults", "hil_sim.faults"),
    "catalogue": ("rigctl.refrigerant.catalogue",),
}
BENCH_FAULT = ("hil_sim.instruments.faults", "hil_sim.faults")
"""The simulation's `Fault`, which shares its name with that of a reading."""
PREPARE = (
    "rigctl.scan", "rigctl.control.prepared", "rigctl.control.prepare", "rigctl.control.settings", "rigctl.settings",
    "rigctl.control",
)  # fmt: skip
"""Where `prepare(settings)` may be, which makes what `step` is given in place of the settings."""


class NotFoundError(LookupError):
    """The revision has no such thing, or not where it is looked for."""


@cache
def found(name):
    """The thing of this name in the revision that is on the path."""
    places = PLACES[name]
    for place in places:
        module = _module(place)
        if module is not None and name == place.rpartition(".")[2]:
            return module
        if module is not None and hasattr(module, name):
            return getattr(module, name)
    there = [module for module in _all(places[0].partition(".")[0]) if name in vars(module)]
    owners = [module for module in there if getattr(vars(module)[name], "__module__", "") == module.__name__]
    if len({id(vars(module)[name]) for module in owners or there}) == 1:
        return vars((owners or there)[0])[name]
    raise NotFoundError(f"{name} is in none of {', '.join(places)}; say in PLACES of {__name__} where it has gone.")


def _module(place):
    # An editable install would offer its own checkout for what this revision lacks.
    package, *inside = place.split(".")
    where = Path(importlib.import_module(package).__file__).parent.joinpath(*inside)
    if not (where.is_dir() or where.with_suffix(".py").is_file()):
        return None
    try:
        return importlib.import_module(place)
    except ModuleNotFoundError as error:
        if error.name is not None and (place == error.name or place.startswith(f"{error.name}.")):
            return None
        raise


@cache
def _all(package):
    root = importlib.import_module(package)
    names = [one.name for one in pkgutil.walk_packages(root.__path__, f"{package}.") if "__main__" not in one.name]
    return [module for module in map(_quietly, names) if module is not None]


def _quietly(place):
    try:
        return importlib.import_module(place)
    except ImportError:
        return None  # what an extra brings that is not installed


def bench_fault(*given, **named):
    """A fault of the simulation."""
    for place in BENCH_FAULT:
        module = _module(place)
        if module is not None and hasattr(module, "Fault"):
            return module.Fault(*given, **named)
    raise NotFoundError(f"the simulation's Fault is in none of {', '.join(BENCH_FAULT)}.")


@cache
def outputs_bits():
    """Bit of each output, by its tag."""
    return {tag: 1 << position for position, tag in enumerate(found("OUTPUT_TAGS"))}


class Core:
    """The controller's core for one job, whatever its functions want to be given."""

    def __init__(self, settings):
        prepare = next((m.prepare for m in map(_module, PREPARE) if m is not None and hasattr(m, "prepare")), None)
        known = SimpleNamespace(settings=settings, prepared=settings if prepare is None else prepare(settings))
        self.settings = settings
        step, initial, woken = found("step"), found("initial"), found("after_power_loss")
        told, asks, wakes = _wants(step, 2, known), _wants(initial, 0, known), _wants(woken, 1, known)
        self.step = lambda state, readings: step(state, readings, *told)
        self.initial = lambda: initial(*asks)
        self.after_power_loss = lambda state: woken(state, *wakes)


def _wants(function, given, known):
    """What a function takes after its first arguments: the settings, or what was prepared of them."""
    parameters = list(inspect.signature(function).parameters.values())[given:]
    needed = [one for one in parameters if one.default is one.empty]
    return [known.settings if _is_settings(one) else known.prepared for one in needed]


def _is_settings(parameter):
    declared = parameter.annotation
    if declared is parameter.empty:
        return parameter.name == "settings"
    return getattr(declared, "__name__", str(declared)).rpartition(".")[2] == "Settings"


def of(bench, name):
    """An attribute of the bench, or of one of its parts where it has been handed on."""
    if hasattr(bench, name):
        return getattr(bench, name)
    for part in vars(bench).values():
        if type(part).__module__.startswith("hil_sim") and hasattr(part, name):
            return getattr(part, name)
    raise NotFoundError(f"neither the bench nor one of its parts has {name}.")
