"""What a fit leaves behind: a scenario file with the estimates, an answer for machines, and a plot."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from hil_sim.fit.estimate import ALONG, Estimate, Fit, Signal, value_of
from hil_sim.scenario import ELSEWHERE, Change, written
from rigctl import units

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from hil_sim.plant.model import PlantParameters


@dataclass(frozen=True, slots=True)
class Source:
    """Files that the plant was put together from, by name or path, and what differs from them."""

    job: str
    rig: str
    setup: str
    appliance: str
    job_path: Path
    rig_path: Path
    overrides: Mapping[str, Mapping[str, float | bool]]


def key_of(name: str) -> str:
    """`group.key` as it stands in a file, without the unit."""
    return Change(name, "", 0.0, 0.0).key


def _in_text(name: str, value: float) -> str:
    return written(name.partition(".")[2], value)


def estimate_text(one: Estimate) -> str:
    """An estimate with its unit and its standard error."""
    text = _in_text(one.name, float(f"{one.value:.4g}"))
    return f"{text} ± {one.relative_sd:.1%}" if isfinite(one.relative_sd) else text


# ---- the plant as a scenario -----------------------------------------------------------------------------

_IN_FILES: Final = {
    "rig.clearance": ("rig", "compressor", "clearance", "{0:.6g}", 1.0),
    "rig.leak_factor": ("rig", "compressor", "leak_factor", "{0:.6g}", 1.0),
    "rig.cv_103_kv_m3_h": ("rig", "compressor", "throttle_kv", '"{0:.6g} m3/h"', 1.0),
    "rig.fixed_restriction_kv_m3_h": ("rig", "compressor", "throttle_kv", '"{0:.6g} m3/h"', 1.0),
    "rig.swept_volume_m3": ("rig", "compressor", "displacement", '"{0:.6g} cm3 x 1500 rpm"', 1e6),
    "cylinder.volume_m3": ("job", "cylinder", "water_capacity", '"{0:.6g} kg"', 1e3),
    "cylinder.tare_kg": ("job", "cylinder", "tare", '"{0:.6g} kg"', 1.0),
    "cylinder.residual_kg": ("job", "cylinder", "residual", '"{0:.6g} kg"', 1.0),
}
"""Where parameters belong that controller and plant go by together: file, table, key, how it is written, factor."""


def plant_files(out: Path) -> tuple[Path, Path, Path]:
    """The scenario, and the copies of the rig's and the job's file beside it that may be needed."""
    return out, out.with_name(f"{out.stem}-rig.toml"), out.with_name(f"{out.stem}-job.toml")


def write_plant(
    out: Path, source: Source, estimates: Sequence[Estimate], parameters: PlantParameters, runs: Sequence[str],
    *, residual_in_job: bool,
) -> list[Path]:  # fmt: skip
    """Write the plant with the estimates as a scenario that `hil-sim run --scenario` takes.

    What the controller goes by as well (clearance, leak factor, cylinder) cannot stand in a scenario: the rig's or the
    job's file is copied beside it with the new figure, and the scenario names the copy.

    Returns
    -------
    list of Path
        The files that were written.
    """
    scenario, rig_copy, job_copy = plant_files(out)
    by_name = {one.name: one for one in estimates}
    along = {other: one.name for one in estimates for other in ALONG.get(one.name, ())}
    comments = {one.name: _comment(one) for one in estimates}
    comments |= {other: f"scaled along with {key_of(name)}" for other, name in along.items()}
    new = {name: value_of(parameters, name) for name in (*by_name, *along)}
    texts = {"rig": source.rig_path.read_text(encoding="utf-8"), "job": source.job_path.read_text(encoding="utf-8")}
    changed: set[str] = set()
    tables: dict[str, dict[str, float | bool]] = {group: dict(values) for group, values in source.overrides.items()}
    for name, value in new.items():
        group, _, item = name.partition(".")
        if name in ELSEWHERE or (name == "cylinder.residual_kg" and residual_in_job):
            file, table, key, pattern, factor = _IN_FILES[name]
            texts[file] = _with_key(texts[file], table, key, f"{pattern.format(value * factor)}", comments[name])
            changed.add(file)
        else:
            tables.setdefault(group, {})[item] = value
    names = {
        "job": job_copy.name if "job" in changed else _named(source.job, out),
        "rig": rig_copy.name if "rig" in changed else _named(source.rig, out),
        "setup": _named(source.setup, out),
        "appliance": _named(source.appliance, out),
    }
    lines = [
        f"# The plant as it was fitted to {', '.join(runs)}. Behind each figure: its standard error.",
        "",
        f'purpose = "plant fitted to {len(runs)} recorded run{"s" if len(runs) > 1 else ""}"',
        "",
        "[run]",
        *(f'{key} = "{value}"' for key, value in names.items()),
    ]
    for group, values in tables.items():
        lines += ["", f"[{group}]"]
        for item, figure in values.items():
            text = written(item, figure)
            plain = isinstance(figure, bool) or _plain(text)
            line = f"{key_of(f'{group}.{item}').partition('.')[2]} = " + (text if plain else f'"{text}"')
            comment = comments.get(f"{group}.{item}")
            lines.append(f"{line:<44}# {comment}" if comment else line)
    done = [scenario]
    scenario.write_text("\n".join(lines) + "\n", encoding="utf-8")
    for file, path in (("rig", rig_copy), ("job", job_copy)):
        if file in changed:
            path.write_text(texts[file], encoding="utf-8")
            done.append(path)
    return done


def _plain(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _comment(one: Estimate) -> str:
    was = f"{_in_text(one.name, one.start)} before"
    error = f"± {one.relative_sd:.2g} relative, " if isfinite(one.relative_sd) else ""
    return f"{error}{was}" + (f"; {one.verdict}" if one.verdict else "")


def _named(name: str, out: Path) -> str:
    """A name as it is, a path as it is seen from the folder of the file."""
    path = Path(name)
    if path.suffix or len(path.parts) > 1:
        return Path(os.path.relpath(path.resolve(), out.resolve().parent)).as_posix()
    return name


def _with_key(text: str, table: str, key: str, value: str, comment: str) -> str:
    """A TOML text with one key of one table set anew; everything else stays as it is written."""
    lines = text.splitlines()
    heads = [n for n, line in enumerate(lines) if re.match(r"\s*\[", line)]
    begin = next((n for n in heads if lines[n].split("#")[0].strip() == f"[{table}]"), None)
    line = f"{key} = {value}  # fitted: {comment}"
    if begin is None:
        return "\n".join([*lines, "", f"[{table}]", line]) + "\n"
    end = next((n for n in heads if n > begin), len(lines))
    place = next((n for n in range(begin + 1, end) if re.match(rf"\s*{re.escape(key)}\s*=", lines[n])), None)
    if place is None:
        lines.insert(begin + 1, line)
    else:
        lines[place] = line
    return "\n".join(lines) + "\n"


# ---- an answer for machines ------------------------------------------------------------------------------


def as_json(fit: Fit, sentences: Sequence[str], files: Sequence[Path]) -> dict[str, Any]:
    """All that a fit says, in SI."""
    return {
        "chi_square": fit.chi_square,
        "chi_square_before": fit.start_chi_square,
        "simulated_runs": fit.runs,
        "starts": fit.starts,
        "parameters": [
            {
                "name": one.name, "key": key_of(one.name), "before": one.start, "value": one.value,
                "relative_standard_error": one.relative_sd, "prior_relative_sd": one.prior_sd,
                "identified": one.identified, "verdict": one.verdict, "not_apart_from": list(one.alike),
                "multiple_correlation": one.correlation, "text": estimate_text(one),
            }
            for one in fit.estimates
        ],
        "ways_in": [
            {
                "port": one.port, "parts": list(one.names), "kv_m3_h": one.kv_m3_h,
                "relative_standard_error": one.relative_sd if isfinite(one.relative_sd) else None,
            }
            for one in fit.ways
        ],
        "covariance_of_logarithms": fit.covariance.tolist(),
        "signals": [
            {
                "run": one.run, "tag": one.tag, "readings": one.count, "left_out": one.left_out,
                "chi_square": one.chi_square, "long_run_variance": one.inflation, "instrument_error": one.bias,
                "worst": one.worst, "worst_at_s": one.worst_at_s,
            }
            for one in fit.signals
        ],
        "notes": list(fit.notes),
        "used": list(sentences),
        "files": [str(path) for path in files],
    }  # fmt: skip


# ---- plot ------------------------------------------------------------------------------------------------

_INK, _SOFT, _BLUE, _ORANGE = "#1d2528", "#5c686d", "#0072B2", "#D55E00"
# Okabe and Ito, "Color Universal Design" (2008); measured are dots, fitted is a line, so colour is not needed.


def _shown(tag: str, us: bool) -> tuple[str, units.Dimension]:
    if tag.startswith("PT"):
        return ("psi abs" if us else "bar abs"), units.ABSOLUTE_PRESSURE
    if tag.startswith("TT"):
        return ("°F" if us else "°C"), units.TEMPERATURE
    return ("lb" if us else "kg"), units.MASS


def draw(path: Path, fit: Fit, *, us: bool = False) -> None:
    """Draw every signal, measured against fitted, with the normalised differences below; a row for each instrument.

    The format follows the file's suffix (SVG, PNG, PDF).
    """
    from matplotlib.figure import Figure

    runs = list(dict.fromkeys(one.run for one in fit.signals))
    tags = list(dict.fromkeys(one.tag for one in fit.signals))
    figure = Figure(figsize=(8.2 * len(runs), 2.35 * len(tags) + 0.9), layout="constrained", facecolor="white")
    heights = [h for _ in tags for h in (2.4, 1.0)]
    axes = figure.subplots(2 * len(tags), len(runs), squeeze=False, sharex="col", height_ratios=heights)
    for one in fit.signals:
        row, column = 2 * tags.index(one.tag), runs.index(one.run)
        _signal(axes[row][column], axes[row + 1][column], one, us)
    used = {(one.tag, one.run) for one in fit.signals}
    for row, tag in enumerate(tags):
        for column, run in enumerate(runs):
            if (tag, run) not in used:
                axes[2 * row][column].set_axis_off()
                axes[2 * row + 1][column].set_axis_off()
    for column, run in enumerate(runs):
        axes[0][column].set_title(run, loc="left", fontsize=11, color=_INK, weight="bold")
        axes[-1][column].set_xlabel("time (min)", color=_INK)
    handles, labels = axes[0][0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper right", ncols=3, frameon=False, fontsize=9)
    figure.align_ylabels(axes)
    figure.savefig(path)


def _signal(above: Axes, below: Axes, one: Signal, us: bool) -> None:
    unit, dimension = _shown(one.tag, us)
    factor = units.in_unit(1.0, unit, dimension) - units.in_unit(0.0, unit, dimension)
    offset = units.in_unit(0.0, unit, dimension)
    minutes = one.times_s / 60.0
    out = ~np.isfinite(one.normalised) & np.isfinite(one.measured)
    above.plot(
        minutes, one.measured * factor + offset, linestyle="none", marker="o", markersize=2.0, color=_BLUE,
        label="measured",
    )  # fmt: skip
    above.plot(
        minutes[out], (one.measured * factor + offset)[out], linestyle="none", marker="x", markersize=3.0, color=_SOFT,
        label="measured, left out",
    )  # fmt: skip
    above.plot(minutes, one.fitted * factor + offset, color=_ORANGE, linewidth=1.1, label="fitted")
    above.set_ylabel(f"{one.tag} ({unit})", color=_INK, fontsize=9)
    above.margins(x=0.01)
    below.axhspan(-2.0, 2.0, color="#eef1f2", linewidth=0)
    below.axhline(0.0, color=_SOFT, linewidth=0.6)
    below.plot(minutes, one.normalised, linestyle="none", marker="o", markersize=1.6, color=_INK)
    largest = float(np.nanmax(np.abs(one.normalised))) if one.count else 3.0
    below.set_ylim(-max(3.5, 1.1 * largest), max(3.5, 1.1 * largest))
    below.set_ylabel("residual\n(std. dev.)", color=_INK, fontsize=7.5)
    below.annotate(
        f"chi-square {one.chi_square:.2f} per reading", (0.995, 0.97), xycoords="axes fraction", ha="right", va="top",
        fontsize=7.5, color=_SOFT,
    )  # fmt: skip
    for axis in (above, below):
        axis.tick_params(labelsize=8, colors=_INK)
        axis.grid(True, color="#e3e7e8", linewidth=0.5)
        for side in ("top", "right"):
            axis.spines[side].set_visible(False)
