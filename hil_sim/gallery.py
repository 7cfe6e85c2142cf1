"""Scenarios run in worker processes, and one page that shows how each of them went.

What is drawn is the plant's truth, not what the instruments made of it; the rig's own figure stands beside it
where the two are to be compared. matplotlib and jinja2 are imported when they are needed.
"""

from __future__ import annotations

import html
import importlib.resources
import multiprocessing
import os
import re
import signal
from array import array
from collections.abc import Container, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from importlib.metadata import version
from io import StringIO
from math import isfinite, nan
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from hil_sim.plant.truth import picked
from hil_sim.simulation import prepare_scenario
from rigctl.console import sentence_of
from rigctl.control.readings import RequestKind
from rigctl.control.vocabulary import RUNNING, Phase
from rigctl.monitor.plot import phase_words

if TYPE_CHECKING:
    from hil_sim.bench import Bench, Happening, Result

MOST_SAMPLES: Final = 900
"""Samples kept of a run; beyond it every second one goes and samples are taken half as often."""
MOST_HAPPENINGS: Final = 40
"""Lines of what happened on the page for one scenario."""


@dataclass(frozen=True, slots=True)
class Entry:
    """How one scenario went."""

    number: int
    """Place in the order asked for."""
    name: str
    purpose: str = ""
    failed: str = ""
    """The sentence that says why it could not be run; "" when it ran, and then all the rest is there."""
    result: Result | None = None
    happenings: tuple[Happening, ...] = ()
    svg: str = ""

    @property
    def outcome(self) -> str:
        """How the job ended, in a word or two."""
        if self.result is None:
            return "not run"
        return self.result.outcome.value.replace("_", "-") + (" (given up)" if self.result.gave_up else "")

    @property
    def line(self) -> str:
        """One line for the terminal."""
        if self.result is None:
            return f"{self.name}: not run: {self.failed}"
        return f"{self.name}: {self.outcome}, {minutes(self.result.duration_s)}, {recovered(self.result)}"


def minutes(duration_s: float) -> str:
    """A time as people say it."""
    if not isfinite(duration_s):
        return "not started"
    return f"{duration_s / 60.0:.1f} min" if duration_s < 10_800.0 else f"{duration_s / 3600.0:.1f} h"


def recovered(result: Result) -> str:
    """What the rig says it recovered (k = 2) against the plant's own books."""
    return (
        f"{result.recovered_kg:.3f} ± {2.0 * result.recovered_uncertainty_kg:.3f} kg by the rig, "
        f"{result.true_recovered_kg:.3f} kg in truth"
    )


# ---- running ---------------------------------------------------------------------------------------------


def run(names: Sequence[str], workers: int | None = None) -> Iterator[Entry]:
    """Run scenarios, and give each entry as soon as it is there.

    Parameters
    ----------
    names
        Names or paths of scenario files.
    workers
        Processes at once; as many as this process may use cores when None.

    Yields
    ------
    Entry
        In the order in which they end. One that cannot be run has its sentence in `failed`.
    """
    count = max(1, min(workers or len(os.sched_getaffinity(0)), len(names)))
    # Not forked: the parent may have threads (rich), and their locks would come along locked.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(count, mp_context=context, initializer=_end_quietly) as pool:
        tasks = {pool.submit(show, number, name): (number, name) for number, name in enumerate(names)}
        try:
            for task in as_completed(tasks):
                number, name = tasks[task]
                error = task.exception()
                if error is None:
                    yield task.result()
                else:
                    failed = f"its process ended before its time ({error}); run it alone to see more."
                    yield Entry(number, Path(name).stem, failed=failed)
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def _end_quietly() -> None:
    # Ctrl-C reaches every process of the terminal; the parent alone says so.
    if signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.SIG_DFL)


def show(number: int, name: str) -> Entry:
    """Run and draw one scenario; whatever goes wrong stands in the entry."""
    purpose = ""
    try:
        said, simulation = prepare_scenario(name)
        purpose = said.purpose
        bench = simulation.bench(said.seed)
        course = Course(bench)
        course.follow(said.until_s)
        result = bench.result()
        svg = draw(course, said.name, simulation.settings.job.level_pa_abs, number)
        return Entry(number, said.name, purpose, "", result, told(bench.happenings, course.refused), svg)
    except Exception as error:  # One scenario must not take the others with it.
        failed = sentence_of(error) or f"the program has a fault here: {type(error).__name__}: {error}"
        return Entry(number, Path(name).stem, purpose, failed)


def told(happenings: Iterable[Happening], refused: Container[str]) -> tuple[Happening, ...]:
    """What stands on the page: no coming and going of alarms, no request that was taken, nothing twice in a row.

    Parameters
    ----------
    happenings
        All of a run.
    refused
        Ids of the requests that the rig did not take.
    """
    kept: list[Happening] = []
    for happening in happenings:
        if _is_routine(happening, refused) or (kept and kept[-1].text == happening.text):
            continue
        kept.append(happening)
    return tuple(kept[:MOST_HAPPENINGS])


def _is_routine(happening: Happening, refused: Container[str]) -> bool:
    if happening.source == "technician":
        return happening.kind == RequestKind.ACKNOWLEDGE.value
    if happening.kind == "request":
        return happening.tag not in refused
    return happening.source == "rig" and happening.kind == "alarm"


_TRUTHS: Final = (
    "appliance_pa_abs", "header_pa_abs", "discharge_pa_abs", "cylinder_pa_abs", "appliance_degc", "appliance_oil_degc",
    "discharge_degc", "cylinder_degc", "appliance_kg", "appliance_oil_refrigerant_kg", "compressor_power_w",
)  # fmt: skip


class Course:
    """A bounded number of samples of one run, and its phases.

    Parameters
    ----------
    bench
        Before its first scan.
    sample_s
        Time between samples at the start.
    """

    def __init__(self, bench: Bench, sample_s: float = 1.0) -> None:
        self.bench = bench
        self.sample_s = sample_s
        self.time_s = array("d")
        self.truth = {name: array("d") for name in _TRUTHS}
        self.recovered_kg = array("d")
        self.recovered_uncertainty_kg = array("d")
        self.dark: list[tuple[float, float]] = []
        """From and to: no power."""
        self.refused: set[str] = set()
        """Ids of the requests that the rig did not take."""
        self._due_s = 0.0

    def follow(self, until_s: float) -> None:
        """Run the bench to its end, or to `until_s`."""
        bench = self.bench
        period_s, last_s = bench.scan_period_s, 0.0
        for record in bench.run(until_s):
            now_s = bench.time_s
            if record.replies:
                self.refused.update(reply.request_id for reply in record.replies if not reply.accepted)
            if now_s - last_s > 1.5 * period_s:
                self.dark.append((last_s, now_s - period_s))
            last_s = now_s
            if now_s >= self._due_s:
                self._sample(now_s)
        if not self.time_s or self.time_s[-1] < last_s:
            self._sample(last_s)

    def _sample(self, now_s: float) -> None:
        truth, last = picked(self.bench.plant.named_truth(), _TRUTHS), self.bench.last
        if self.dark and self.time_s and self.time_s[-1] < self.dark[-1][0]:
            # Nobody looked while there was no power: the lines have a gap.
            for column in self._columns():
                column.append(nan)
            self.time_s.append(self.dark[-1][1])
        self.time_s.append(now_s)
        for name, value in zip(_TRUTHS, truth, strict=True):
            self.truth[name].append(value)
        self.recovered_kg.append(last.estimate.recovered_kg if last else nan)
        self.recovered_uncertainty_kg.append(last.estimate.recovered_uncertainty_kg if last else nan)
        self._due_s = now_s + self.sample_s
        if len(self.time_s) >= MOST_SAMPLES:
            for held in (*self._columns(), self.time_s):
                del held[1::2]
            self.sample_s *= 2.0

    def _columns(self) -> tuple[array[float], ...]:
        return (*self.truth.values(), self.recovered_kg, self.recovered_uncertainty_kg)


# ---- drawing ---------------------------------------------------------------------------------------------

# Colours of Okabe and Ito ("Color Universal Design", 2008), told apart with every kind of colour vision; the
# style of the line says the same once more, for a page printed in grey.
_BLACK, _ORANGE, _SKY, _GREEN, _BLUE, _RED = "#000000", "#B87900", "#56B4E9", "#009E73", "#0072B2", "#D55E00"
_INK, _SOFT = "#1d2528", "#4f5a5f"
_STYLES: Final[dict[str, tuple[str, Any, float]]] = {
    "appliance": (_BLUE, "solid", 1.5),
    "suction": (_SKY, (0, (1, 1.3)), 1.9),
    "oil": (_ORANGE, (0, (1, 1.3)), 1.9),
    "discharge": (_RED, (0, (6, 2)), 1.3),
    "cylinder": (_GREEN, (0, (4, 1.5, 1, 1.5)), 1.4),
}
_AWAY: Final = "#f3e2b8"
_TRIPPED: Final = "#f2c9b8"
_BANDS: Final = ("#edf0f1", "#ffffff")
_NO_POWER: Final = "no power"


def draw(course: Course, name: str, level_pa_abs: float, number: int = 0) -> str:
    """Draw the course of a run as SVG to stand in a page: pressures, weights, temperatures, power, phases.

    Parameters
    ----------
    course
        After its run.
    name
        What it is called, for readers that do not see it.
    level_pa_abs
        The level to reach.
    number
        Makes the identifiers in the drawing unlike those of the other drawings on the page.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    drawn = StringIO()
    with mpl.rc_context(
        {"svg.hashsalt": name, "svg.fonttype": "none", "font.family": "DejaVu Sans", "font.size": 9.0,
         "path.simplify": True, "path.simplify_threshold": 0.3, "axes.unicode_minus": False}
    ):  # fmt: skip
        figure = Figure(figsize=(7.6, 9.0), layout=ConstrainedLayoutEngine(h_pad=0.04, hspace=0.02))
        axes = figure.subplots(4, 1, sharex=True, height_ratios=(5, 3, 3.4, 1.8))
        end_s = max(course.bench.time_s, 1.0)
        divisor, time_unit = (60.0, "min") if end_s < 10_800.0 else (3600.0, "h")
        times = [t / divisor for t in course.time_s]
        for axis in axes:
            _dress(axis)
            _bands(axis, course, divisor)
            axis.set_xlim(0.0, end_s / divisor)
        _pressures(axes[0], course, times, level_pa_abs)
        _weights(axes[1], course, times)
        _temperatures(axes[2], course, times)
        axes[3].plot(times, course.truth["compressor_power_w"], color=_BLACK, linewidth=1.1)
        axes[3].set_ylabel("compressor\npower (W)")
        axes[3].set_ylim(bottom=0.0)
        axes[3].set_xlabel(f"time ({time_unit})")
        upright = phase_words(
            axes[0], _stays(course), divisor, end_s, letter=0.0155, margin=0.012, upright=0.024, colour=_SOFT
        )
        for axis in axes[:3]:
            # Above its panel, where a narrow screen shows it; in the first, above the names of the phases.
            above = 1.0 if axis is not axes[0] else 1.24 if upright else 1.08
            axis.legend(
                loc="lower left", bbox_to_anchor=(-0.01, above), ncols=5, frameon=False, fontsize=8.5, handlelength=2.8,
                borderaxespad=0.0, borderpad=0.15, columnspacing=1.3, handletextpad=0.5,
            )  # fmt: skip
        figure.align_ylabels(axes)
        figure.savefig(drawn, format="svg", metadata={"Date": None, "Creator": None}, transparent=True)
    return _inline(drawn.getvalue(), name, f"plot-{number}")


def _inline(svg: str, name: str, mark: str) -> str:
    """The drawing as an element of a page: no head, no size of its own, identifiers of its own, short numbers."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<style.*?</style>", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)
    svg = re.sub(r'\bid="', f'id="{mark}-', svg)
    svg = re.sub(r'href="#', f'href="#{mark}-', svg)
    svg = re.sub(r"url\(#", f"url(#{mark}-", svg)
    svg = re.sub(r"-?\d+\.\d{3,}", lambda found: f"{float(found[0]):.2f}".rstrip("0").rstrip("."), svg)
    words = f'class="plot" role="img" aria-label="Course of {html.escape(name)}"'
    return re.sub(
        r'<svg [^>]*?viewBox="([^"]*)"[^>]*>', lambda found: f'<svg {words} viewBox="{found[1]}">', svg, count=1
    )


def _dress(axis: Any) -> None:
    for side in ("top", "right"):
        axis.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axis.spines[side].set_color(_SOFT)
    axis.tick_params(colors=_INK, labelsize=8.5)
    axis.yaxis.label.set_color(_INK)
    axis.xaxis.label.set_color(_INK)
    axis.grid(True, axis="y", color="#cfd6d9", linewidth=0.6)
    axis.set_axisbelow(True)


def _stays(course: Course) -> list[tuple[str, float, float]]:
    """Words for the phases with their times; what belongs together is one stay."""
    merged: list[tuple[str, float, float]] = []
    for span in course.bench.result().phases:
        phase = span.phase
        if phase in (Phase.HOLDING, Phase.HELD, Phase.RESTARTING):
            word = "held"
        elif phase in (Phase.STOPPING, Phase.STOPPED):
            word = "stopped"
        elif phase in (Phase.ABORTING, Phase.ABORTED):
            word = "aborted"
        elif phase in RUNNING or phase is Phase.COMPLETE:
            word = phase.value.replace("_", "-")
        else:
            word = ""
        if merged and merged[-1][0] == word:
            merged[-1] = (word, merged[-1][1], span.to_s)
        else:
            merged.append((word, span.from_s, span.to_s))
    for dark_from_s, dark_to_s in course.dark:
        # The controller knows nothing of the time without power: to it the phase went on.
        cut = []
        for word, from_s, to_s in merged:
            cut += [(word, from_s, min(to_s, dark_from_s)), (word, max(from_s, dark_to_s), to_s)]
        merged = [stay for stay in cut if stay[2] > stay[1]] + [(_NO_POWER, dark_from_s, dark_to_s)]
    return sorted(merged, key=lambda stay: stay[1])


def _bands(axis: Any, course: Course, divisor: float) -> None:
    running = 0
    for word, from_s, to_s in _stays(course):
        hatch = None
        if word in ("held", "stopped"):
            colour = _AWAY
        elif word == "aborted":
            colour, hatch = _TRIPPED, "///"
        elif word == _NO_POWER:
            colour = "#9aa3a7"
        else:
            colour = _BANDS[running % 2]
            running += 1
        axis.axvspan(
            from_s / divisor, to_s / divisor, facecolor=colour, edgecolor="#ffffff", linewidth=0, hatch=hatch, zorder=0
        )


def _line(axis: Any, times: Sequence[float], values: Sequence[float], style: str, label: str) -> None:
    colour, dashes, width = _STYLES[style]
    axis.plot(times, values, color=colour, linestyle=dashes, linewidth=width, label=label)


def _pressures(axis: Any, course: Course, times: list[float], level_pa_abs: float) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    seen = [level_pa_abs * 1e-5, 1.01325]
    for name, style in (
        ("discharge", "discharge"), ("cylinder", "cylinder"), ("appliance", "appliance"), ("header", "suction"),
    ):  # fmt: skip
        bar = [pa * 1e-5 for pa in course.truth[f"{name}_pa_abs"]]
        known = [value for value in bar if isfinite(value)]
        seen += (min(known), max(known))
        _line(axis, times, bar, style, style)
    axis.axhline(level_pa_abs * 1e-5, color=_BLACK, linewidth=0.9, linestyle=(0, (1, 2)), label="level to reach")
    axis.set_yscale("log")
    axis.set_ylim(max(0.75 * min(seen), 0.03), 1.4 * max(seen))
    axis.yaxis.set_major_locator(LogLocator(base=10, subs=(1.0, 2.0, 5.0)))
    axis.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.yaxis.set_minor_formatter(NullFormatter())
    axis.set_ylabel("pressure (bar abs, log)")


def _weights(axis: Any, course: Course, times: list[float]) -> None:
    mass, spread = course.recovered_kg, course.recovered_uncertainty_kg
    low = [m - 2.0 * s for m, s in zip(mass, spread, strict=True)]
    high = [m + 2.0 * s for m, s in zip(mass, spread, strict=True)]
    axis.fill_between(times, low, high, color=_SKY, alpha=0.35, linewidth=0)
    axis.plot(times, mass, color=_BLACK, linewidth=1.5, label="recovered, by the rig (± 2 u)")
    in_oil = course.truth["appliance_oil_refrigerant_kg"]
    left = [a + oil for a, oil in zip(course.truth["appliance_kg"], in_oil, strict=True)]
    _line(axis, times, left, "appliance", "in the appliance")
    _line(axis, times, in_oil, "oil", "of this in its oil")
    most = max([value for value in (*mass, *left) if isfinite(value)], default=1.0)
    axis.set_ylim(-0.03 * most, 1.08 * most)
    axis.set_ylabel("weight (kg)")


def _temperatures(axis: Any, course: Course, times: list[float]) -> None:
    axis.axhline(0.0, color=_SOFT, linewidth=0.6)
    for name, style, word in (
        ("discharge", "discharge", "discharge"),
        ("cylinder", "cylinder", "cylinder"),
        ("appliance_oil", "oil", "appliance's oil"),
        ("appliance", "appliance", "refrigerant in the appliance"),
    ):
        _line(axis, times, course.truth[f"{name}_degc"], style, word)
    axis.set_ylabel("temperature (°C)")


# ---- the page --------------------------------------------------------------------------------------------


def page(entries: Sequence[Entry]) -> str:
    """One self-contained page: a table of all scenarios, then each with its plot. No scripts, nothing loaded."""
    import jinja2
    from markupsafe import Markup

    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters.update(
        minutes=lambda duration_s: minutes(duration_s).replace(" ", "\N{NO-BREAK SPACE}"),
        clock=lambda at_s: f"{at_s:.0f} s" if at_s < 600.0 else minutes(at_s),
        recovered=recovered,
        bar=lambda pa: f"{pa * 1e-5:.1f}\N{NO-BREAK SPACE}bar\N{NO-BREAK SPACE}abs",
        celsius=lambda degc: f"{round(degc)}\N{NO-BREAK SPACE}°C",
        # Drawn above from numbers and fixed words; the name in it is escaped there.
        drawing=lambda svg: Markup(svg),
    )
    source = importlib.resources.files("hil_sim").joinpath("gallery_page.html")
    template = environment.from_string(source.read_text(encoding="utf-8"))
    return template.render(entries=entries, version=version("recovery-rig"))


def write(path: Path, entries: Sequence[Entry]) -> None:
    """Write the page, whole or not at all; raises `OSError` as files do."""
    text = page(entries)
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
