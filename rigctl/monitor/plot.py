"""The course of a job: gathered scan by scan in little memory, and drawn as one page for the record.

`History` needs nothing but the scans; matplotlib is imported when a plot is drawn.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable
from dataclasses import dataclass
from io import BytesIO, StringIO
from math import isfinite, nan
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from rigctl import units
from rigctl.control.readings import Reading, sound
from rigctl.control.vocabulary import RUNNING, Phase

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from rigctl.control.settings import Settings
    from rigctl.scan import ScanRecord

MOST_SAMPLES: Final = 3_000
"""Samples kept at most; beyond it every second one goes and samples are taken half as often."""
MOST_MARKS: Final = 40

PRESSURES: Final = (
    ("PT-001", "appliance"),
    ("PT-101", "suction"),
    ("PT-201", "discharge"),
    ("PT-301", "cylinder"),
)
"""What the plot shows, in the order of the flow."""

_FIELDS: Final = {tag: tag.lower().replace("-", "_") + "_pa_abs" for tag, _ in PRESSURES}
_ENDED: Final = (Phase.COMPLETE, Phase.STOPPED, Phase.ABORTED)
_RESTART_GAP_S: Final = 1.0


@dataclass(slots=True)
class Stay:
    """One stay in one phase, on the time axis of the history."""

    phase: Phase
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class Mark:
    """A trip, a hold or a cylinder that came on the scale, on the time axis of the history."""

    at_s: float
    kind: str
    tag: str
    """Row of the cause-and-effect table, or the cylinder's serial number."""
    text: str


class History:
    """The course of a job as it is plotted: a bounded number of samples, every phase, trip and hold.

    Parameters
    ----------
    settings
        Of the job.
    sample_s
        Time between samples at the start; doubled whenever `MOST_SAMPLES` is reached.
    """

    def __init__(self, settings: Settings, sample_s: float = 1.0) -> None:
        self.settings = settings
        self.sample_s = sample_s
        self.time_s = array("d")
        self.pressure_pa_abs = {tag: array("d") for tag, _ in PRESSURES}
        self.recovered_kg = array("d")
        self.recovered_uncertainty_kg = array("d")
        self.flow_kg_s = array("d")
        self.stays: list[Stay] = []
        self.marks: list[Mark] = []
        self.now_s = 0.0
        """Time since the first scan with the controller running."""
        self._zero_s = nan
        self._due_s = 0.0
        self._last_clock_s = nan
        self._cylinders = 0

    def add(self, record: ScanRecord) -> None:
        """Take in the next scan."""
        clock_s = record.readings.now_s
        if self._zero_s != self._zero_s:
            self._zero_s = clock_s
        elif clock_s < self._last_clock_s:
            # Another start of the controller, with a clock of its own: the time without it is left out.
            self._zero_s = clock_s - self.now_s - _RESTART_GAP_S
        self._last_clock_s = clock_s
        now_s = self.now_s = clock_s - self._zero_s
        stay = self.stays[-1] if self.stays else None
        fresh = stay is None or stay.phase is not record.phase
        if fresh:
            if stay is not None:
                stay.to_s = now_s
            self.stays.append(Stay(record.phase, now_s, now_s))
        elif stay is not None:
            stay.to_s = now_s
        for event in record.events:
            if event.kind in ("trip", "hold") and len(self.marks) < MOST_MARKS:
                self._mark(event.kind, event.tag, event.text)
        if len(record.cylinders) > self._cylinders:
            self._cylinders = len(record.cylinders)
            self._mark("cylinder", record.cylinders[-1].cylinder.serial, "")
        if now_s >= self._due_s or (fresh and record.phase in _ENDED):
            self._sample(record, now_s)

    def _mark(self, kind: str, tag: str, text: str) -> None:
        """Note something at the present time; the same hold told twice is one mark."""
        last = self.marks[-1] if self.marks else None
        if last is None or not text or last.text != text:
            self.marks.append(Mark(self.now_s, kind, tag, text))

    def _sample(self, record: ScanRecord, now_s: float) -> None:
        readings, estimate = record.readings, record.estimate
        max_age_s = self.settings.instruments.reading_max_age_s
        self.time_s.append(now_s)
        for tag, column in self.pressure_pa_abs.items():
            reading: Reading = getattr(readings, _FIELDS[tag])
            column.append(reading.value if sound(reading, readings.now_s, max_age_s) else nan)
        self.recovered_kg.append(estimate.recovered_kg)
        self.recovered_uncertainty_kg.append(estimate.recovered_uncertainty_kg)
        self.flow_kg_s.append(estimate.flow_kg_s)
        self._due_s = now_s + self.sample_s
        if len(self.time_s) >= MOST_SAMPLES:
            for held in (*self._columns(), self.time_s):
                del held[1::2]
            self.sample_s *= 2.0

    def _columns(self) -> tuple[array[float], ...]:
        return (
            *self.pressure_pa_abs.values(), self.recovered_kg, self.recovered_uncertainty_kg, self.flow_kg_s,
        )  # fmt: skip


# ---- drawing ---------------------------------------------------------------------------------------------

# Colours of Okabe and Ito ("Color Universal Design", 2008), told apart with every kind of colour vision;
# line style and a label at each line say the same once more.
_BLACK, _ORANGE, _SKY, _GREEN, _BLUE, _RED = "#000000", "#E69F00", "#56B4E9", "#009E73", "#0072B2", "#D55E00"
_INK, _SOFT = "#1d2528", "#5c686d"
_STYLE: Final[dict[str, tuple[str, Any, float]]] = {
    "PT-001": (_SKY, (0, (1, 1.2)), 1.8),
    "PT-101": (_BLUE, "solid", 1.6),
    "PT-201": (_RED, (0, (6, 2)), 1.4),
    "PT-301": (_GREEN, (0, (4, 1.5, 1, 1.5)), 1.4),
}
_AWAY = {
    Phase.HOLDING: "#f3e2b8",
    Phase.HELD: "#f3e2b8",
    Phase.RESTARTING: "#f3e2b8",
    Phase.STOPPING: "#f3e2b8",
    Phase.STOPPED: "#f3e2b8",
    Phase.ABORTING: "#f6ddd3",
    Phase.ABORTED: "#f6ddd3",
}
_BANDS = ("#eef1f2", "#ffffff")


def draw(history: History) -> Figure:
    """Draw pressures, recovered mass and flow over time, with the phases behind them."""
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    settings = history.settings
    us = settings.units.value == "us"
    figure = Figure(figsize=(9.6, 7.2), layout=ConstrainedLayoutEngine(h_pad=0.05, hspace=0.02), facecolor="white")
    axes = figure.subplots(3, 1, sharex=True, height_ratios=(5, 3, 2))
    end_s = max(history.now_s, 1.0)
    divisor, time_unit = (60.0, "min") if end_s < 4.0 * 3600.0 else (3600.0, "h")
    minutes = [t / divisor for t in history.time_s]
    for axis in axes:
        _dress(axis)
        _bands(axis, history, divisor)
        axis.set_xlim(0.0, end_s / divisor)
    _pressures(axes[0], history, minutes, us)
    _mass(axes[1], history, minutes, us)
    _flow(axes[2], history, minutes, us)
    phase_words(axes[0], _merged(history), divisor, end_s)
    _marks(axes, history, divisor, end_s)
    axes[2].set_xlabel(f"time ({time_unit})", color=_INK)
    figure.align_ylabels(axes)
    job = settings.job
    figure.suptitle(
        f"{job.name[:70]}  ·  {job.refrigerant}  ·  {job.date}",
        x=0.01,
        ha="left",
        fontsize=12,
        color=_INK,
        weight="bold",
    )
    return figure


def write(history: History, folder: Path) -> str:
    """Write `plot.svg` and `plot.png` into a folder, and return the SVG; raises `OSError` as files do."""
    svg, png = render(history)
    (folder / "plot.svg").write_text(svg, encoding="utf-8")
    (folder / "plot.png").write_bytes(png)
    return svg


def svg(history: History) -> str:
    """Draw the plot as SVG alone."""
    text, _ = render(history, png=False)
    return text


def render(history: History, *, png: bool = True) -> tuple[str, bytes]:
    """Draw the plot as (SVG text, PNG bytes); the same history gives the same text."""
    import matplotlib as mpl

    drawn = StringIO()
    pixels = BytesIO()
    with mpl.rc_context(
        {"svg.hashsalt": "rigctl", "font.family": "DejaVu Sans", "font.size": 9.0, "path.simplify": True}
    ):
        figure = draw(history)
        figure.savefig(drawn, format="svg", metadata={"Date": None, "Creator": None})
        if png:
            figure.savefig(pixels, format="png", dpi=150, metadata={"Software": None})
    return drawn.getvalue(), pixels.getvalue()


def _dress(axis: Any) -> None:
    for side in ("top", "right"):
        axis.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axis.spines[side].set_color(_SOFT)
    axis.tick_params(colors=_INK, labelsize=8.5)
    axis.grid(True, axis="y", color="#cfd6d9", linewidth=0.6)
    axis.set_axisbelow(True)
    axis.margins(x=0.0)


def _bands(axis: Any, history: History, divisor: float) -> None:
    running = 0
    for stay in history.stays:
        if stay.phase in RUNNING or stay.phase is Phase.COMPLETE:
            colour = _BANDS[running % 2]
            running += 1
        else:
            colour = _AWAY.get(stay.phase, "#ffffff")
        hatch = "///" if stay.phase in (Phase.ABORTING, Phase.ABORTED) else None
        axis.axvspan(
            stay.from_s / divisor, stay.to_s / divisor, facecolor=colour, edgecolor="#ffffff", linewidth=0, hatch=hatch,
            zorder=0,
        )  # fmt: skip


def _merged(history: History) -> list[tuple[str, float, float]]:
    """Words for the top of the plot; holding, held and restarting are one stay."""
    merged: list[tuple[str, float, float]] = []
    for stay in history.stays:
        phase = stay.phase
        if phase in (Phase.HOLDING, Phase.HELD, Phase.RESTARTING):
            word = "held"
        elif phase in (Phase.STOPPING, Phase.STOPPED):
            word = "stopped"
        elif phase in (Phase.ABORTING, Phase.ABORTED):
            word = "aborted"
        else:
            word = phase.value.replace("_", "-")
        if merged and merged[-1][0] == word:
            merged[-1] = (word, merged[-1][1], stay.to_s)
        else:
            merged.append((word, stay.from_s, stay.to_s))
    return merged


def phase_words(
    axis: Any,
    stays: Iterable[tuple[str, float, float]],
    divisor: float,
    end_s: float,
    *,
    letter: float = 0.0125,
    margin: float = 0.01,
    upright: float = 0.018,
    colour: str = _SOFT,
) -> bool:
    """Name the phases above the plot; narrow ones stand upright, the narrowest are left out.

    Parameters
    ----------
    stays
        Word, begin and end in s; one without a word is passed over.
    divisor
        Seconds in one unit of the time axis.
    letter, margin, upright
        Shares of the plot's width: of a letter, of the room beside a word, of a word that stands upright.

    Returns
    -------
    bool
        Whether any word stands upright.
    """
    upright_until = -1.0
    for word, from_s, to_s in stays:
        share = (to_s - from_s) / end_s
        middle = 0.5 * (from_s + to_s)
        if word and share > letter * len(word) + margin:
            turn = 0
        elif word and share > 0.002 and middle / end_s > upright_until + upright:
            turn = 90
            upright_until = middle / end_s
        else:
            continue
        axis.annotate(
            word, (middle / divisor, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 4),
            textcoords="offset points", ha="center", va="bottom", rotation=turn, fontsize=8.5, color=colour,
        )  # fmt: skip
    return upright_until > 0.0


def _marks(axes: Any, history: History, divisor: float, end_s: float) -> None:
    """Draw an upright line at each trip and hold, named where there is room; their sentences are in the record."""
    free_from = [-1.0, -1.0, -1.0]
    cylinders = [mark for mark in history.marks if mark.kind == "cylinder"]
    for mark in cylinders if len(cylinders) > 1 else []:
        axes[1].annotate(
            f"cylinder {mark.tag}", (mark.at_s / divisor, 0.0), xycoords=("data", "axes fraction"), xytext=(2, 3),
            textcoords="offset points", fontsize=7.5, color=_SOFT,
        )  # fmt: skip
    for mark in history.marks:
        if mark.kind == "cylinder":
            continue
        at = mark.at_s / divisor
        trip = mark.kind == "trip"
        for axis in axes:
            axis.axvline(at, color=_RED if trip else _SOFT, linewidth=1.1 if trip else 0.8, linestyle=(0, (3, 2)))
        share = mark.at_s / end_s
        text = f"{'TRIP' if trip else 'hold'} {mark.tag}"
        for row, free in enumerate(free_from):
            if share >= free:
                right = share > 0.8
                axes[1].annotate(
                    text, (at, 1.0), xycoords=("data", "axes fraction"), xytext=(-3 if right else 3, -9 - 11 * row),
                    textcoords="offset points", ha="right" if right else "left", fontsize=7.5,
                    color=_RED if trip else _SOFT, weight="bold" if trip else "normal",
                    bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.8},
                )  # fmt: skip
                free_from[row] = share + 0.011 * len(text)
                break


def _decimal(value: float, _position: object) -> str:
    return f"{value:g}"


def _pressures(axis: Any, history: History, minutes: list[float], us: bool) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    unit = "psi abs" if us else "bar abs"

    def shown(pa: float) -> float:
        return units.in_unit(pa, unit, units.ABSOLUTE_PRESSURE)

    ends: list[tuple[float, str, str]] = []
    seen: list[float] = []
    for tag, word in PRESSURES:
        values = [shown(pa) if pa > 0.0 else nan for pa in history.pressure_pa_abs[tag]]
        fit = [value for value in values if isfinite(value)]
        if not fit:
            continue
        seen += (min(fit), max(fit))
        colour, line, width = _STYLE[tag]
        axis.plot(minutes, values, color=colour, linestyle=line, linewidth=width, label=f"{word} {tag}")
        ends.append((fit[-1], f"{word} {tag}", colour))
    axis.set_yscale("log")
    job = history.settings.job
    level, atmosphere = shown(job.level_pa_abs), shown(units.STANDARD_ATMOSPHERE_PA)
    # Near nothing the logarithm of a transmitter's noise would take half the page.
    low = max(0.7 * min([*seen, level]), 0.03 * atmosphere)
    high = 1.6 * max([*seen, atmosphere])
    axis.set_ylim(low, high)
    axis.yaxis.set_major_locator(LogLocator(base=10, subs=(1.0, 2.0, 5.0)))
    axis.yaxis.set_major_formatter(FuncFormatter(_decimal))
    axis.yaxis.set_minor_formatter(NullFormatter())
    axis.axhline(level, color=_BLACK, linewidth=0.9, linestyle=(0, (1, 2)))
    ends.append((level, f"to reach: {job.level_text}", _BLACK))
    if not 0.85 < level / atmosphere < 1.18:
        axis.axhline(atmosphere, color=_SOFT, linewidth=0.6)
        ends.append((atmosphere, "atmosphere", _SOFT))
    axis.set_ylabel(f"pressure ({unit}, log)", color=_INK)
    _label_ends(axis, ends, log=True)


def _label_ends(axis: Any, ends: list[tuple[float, str, str]], *, log: bool) -> None:
    """Name each line at its right end, pushed apart so that no name covers another."""
    from math import log10

    low, high = (float(end) for end in axis.get_ylim())

    def place(value: float) -> float:
        if log:
            return (log10(value) - log10(low)) / (log10(high) - log10(low))
        return (value - low) / (high - low)

    apart, ordered = 0.075, sorted(ends)
    at: list[float] = []
    for value, _, _ in ordered:
        at.append(max(place(value), at[-1] + apart if at else -1.0))
    for number in range(len(at) - 1, -1, -1):
        at[number] = min(at[number], at[number + 1] - apart if number + 1 < len(at) else 1.0)
    for (_, text, colour), height in zip(ordered, at, strict=True):
        axis.annotate(
            text, (1.0, height), xycoords="axes fraction", xytext=(5, 0), textcoords="offset points", va="center",
            fontsize=8.5, color=colour, annotation_clip=False,
        )  # fmt: skip


def _mass(axis: Any, history: History, minutes: list[float], us: bool) -> None:
    unit = "lb" if us else "kg"

    def shown(kg: float) -> float:
        return units.in_unit(kg, unit, units.MASS)

    mass = [shown(kg) for kg in history.recovered_kg]
    spread = [2.0 * shown(kg) for kg in history.recovered_uncertainty_kg]
    low = [m - s for m, s in zip(mass, spread, strict=True)]
    high = [m + s for m, s in zip(mass, spread, strict=True)]
    axis.fill_between(minutes, low, high, color=_SKY, alpha=0.35, linewidth=0, step=None)
    axis.plot(minutes, mass, color=_BLACK, linewidth=1.5)
    top = max([*(m for m in mass if isfinite(m)), 0.0])
    charge = history.settings.job.charge_kg
    if charge is not None:
        axis.axhline(shown(charge), color=_SOFT, linewidth=0.9, linestyle=(0, (1, 2)))
        axis.annotate(
            f"declared charge {shown(charge):.3g} {unit}", (0.005, shown(charge)), xycoords=("axes fraction", "data"),
            xytext=(2, -9), textcoords="offset points", fontsize=7.5, color=_INK,
        )  # fmt: skip
        top = max(top, shown(charge))
    axis.set_ylim(min(0.0, *[m for m in mass if isfinite(m)], 0.0), 1.12 * top if top > 0.0 else 1.0)
    axis.set_ylabel(f"recovered ({unit})", color=_INK)
    known = [m for m in mass if isfinite(m)]
    if known:
        _label_ends(axis, [(known[-1], "recovered, ± 2 u", _BLACK)], log=False)


def _flow(axis: Any, history: History, minutes: list[float], us: bool) -> None:
    unit = "lb/min" if us else "kg/min"
    flow = [units.in_unit(kg_s, unit, units.MASS_FLOW) for kg_s in history.flow_kg_s]
    axis.plot(minutes, flow, color=_ORANGE, linewidth=1.3)
    axis.axhline(0.0, color=_SOFT, linewidth=0.6)
    known = sorted(value for value in flow if isfinite(value))
    if known:
        # A knocked scale throws the flow far off for a moment; the axis is for the rest.
        last = len(known) - 1
        low, high = known[int(0.005 * last)], known[int(0.995 * last + 0.5)]
        room = 0.15 * (high - min(low, 0.0)) or 0.1
        axis.set_ylim(min(low, 0.0) - room, high + room)
    axis.set_ylabel(f"flow ({unit})", color=_INK)
