"""Measure what the documents state: `python -m tests.bench core [--quick] [--json]`.

Figures, not tests: what comes out depends on the machine, which is named beside it. A part is a module of this package
with a function `measure(quick)` that yields `Figure`s. One that also has `broken(figures)` says there what no noise can
excuse; then the exit status is 1.
"""

import argparse
import importlib
import json
import os
import platform
import sys
from dataclasses import asdict
from pathlib import Path

PARTS = {
    "core": "controller: speed, start, memory; closed loop; saturation tables; the plant's books",
    "plant": "plant: against an independent integrator, refinement, properties, speed; then tricks and fit",
    "tricks": "what each trick of the trade does in the plant",
    "control": "all that is said of the controller, over random jobs, in one table (a quarter of an hour); its parts:",
    "judgement": "fill without the scale, mass left, time to finish, how jobs end, scale faults",
    "pushpull": "push-pull against drawing all liquid through the compressor, random jobs of chiller size",
    "liquid": "how soon the end and the return of the liquid are seen, in sound, rough and blocked random jobs",
    "hands": "verified time of the closed loop against a fixed rule, a careful hand and an oracle",
    "mistakes": "cylinders changed in mid-job, wrong ones, wrong refrigerant, air: what is noticed",
    "remedies": "whether remedies save what the rig says: each done to the plant from the same instant",
    "hardware": "the rig run for real: pace over real wires for half an hour, 200 kills",
    "board": "a small board: installed size of the controller alone, packages without a wheel; needs a network",
    "fit": "how often fitted parameters cover the truth",
}
"""Parts by name; each is the module of the same name."""


def machine():
    """Return what the figures were measured on."""
    model = platform.processor() or platform.machine()
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.exists():
        lines = cpuinfo.read_text(encoding="utf-8").splitlines()
        model = next((line.partition(":")[2].strip() for line in lines if line.startswith("model name")), model)
    load = os.getloadavg()[0]
    return {"cpu": model, "cores": os.cpu_count(), "python": platform.python_version(), "load_before": round(load, 2)}


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__.partition("\n")[0])
    parser.add_argument("part", choices=PARTS, help="; ".join(f"{name}: {what}" for name, what in PARTS.items()))
    parser.add_argument("--quick", action="store_true", help="fewer repetitions and shorter runs")
    parser.add_argument("--json", action="store_true", help="all figures as one JSON object")
    asked = parser.parse_args()
    part = importlib.import_module(f"tests.bench.{asked.part}")
    where = machine()
    figures = []
    if not asked.json:
        print(", ".join(f"{name} {value}" for name, value in where.items()), "(quick)" if asked.quick else "")
    for figure in part.measure(asked.quick):
        figures.append(figure)
        if not asked.json:
            print(f"{figure.name:<58} {figure.value:>12.4g} {figure.unit:<8} {figure.how}".rstrip(), flush=True)
    if asked.json:
        json.dump(
            {"machine": where, "quick": asked.quick, "figures": [asdict(f) for f in figures]}, sys.stdout, indent=2
        )
        print()
    wrong = list(part.broken(figures)) if hasattr(part, "broken") else []
    for sentence in wrong:
        print(f"Broken: {sentence}", file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
