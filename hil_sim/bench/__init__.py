"""Plant and controller on virtual time: the room in which the two meet; what is above it goes through here.

Everything is counted in scans, so a run depends on its settings, parameters, faults and seed alone: two runs
give the same outputs to the bit.
"""

from hil_sim.bench.bench import Bench
from hil_sim.bench.happenings import Happening
from hil_sim.bench.matched import hookup, rig_parameters, scenario
from hil_sim.bench.result import PhaseSpan, Result

__all__ = ["Bench", "Happening", "PhaseSpan", "Result", "hookup", "rig_parameters", "scenario"]
