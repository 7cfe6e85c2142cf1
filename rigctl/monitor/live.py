"""The rig in a terminal: a quiet live view, and plain lines where there is no terminal.

Manner of ISA-101: everything grey while it is as it should be, colour only for what is not, and then never
colour alone: a shape and a word say the same. Both take scans and write; nothing flows back.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import inf, isfinite, log, nan
from typing import TYPE_CHECKING, Final

from rich.cells import cell_len
from rich.text import Text

from rigctl import units
from rigctl.advice.remedies import What
from rigctl.control.points import OUTPUT_TAGS
from rigctl.control.protect.alarms import Alarm
from rigctl.control.readings import Reading, sound
from rigctl.control.vocabulary import RUNNING, AlarmState, Kind, Phase

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderResult

    from rigctl.control.settings import Settings
    from rigctl.monitor.plot import History
    from rigctl.scan import ScanRecord

QUIET: Final = "dim"
BRIGHT: Final = "bold"
_CAUTION: Final = "bold yellow"
_BAD: Final = "bold white on red"
_BAD_INK: Final = "bold red"
_ALARM_SHAPE: Final = {
    Kind.TRIP: ("■ TRIP", _BAD_INK),
    Kind.HOLD: ("▲ HOLD", _CAUTION),
    Kind.START_INHIBIT: ("▲ WAIT", _CAUTION),
    Kind.ADVICE: ("● NOTE", "yellow"),
}
_TAKING = (Phase.PUSH_PULL, Phase.LIQUID, Phase.VAPOR)
_PAUSED = (Phase.HOLDING, Phase.HELD, Phase.RESTARTING)
_STATE_STYLE: Final = {
    **dict.fromkeys((*_PAUSED, Phase.STOPPING, Phase.STOPPED), "bold black on yellow"),
    **dict.fromkeys((Phase.ABORTING, Phase.ABORTED), _BAD),
}
_REPEATED: Final = ("hold", "trip")
"""Kinds of event that tell the same thing several times within one stop; told once."""
QUIET_FOR_S: Final = 60.0
"""An alarm that was told so recently is not told again."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the event list."""

    at_s: float
    kind: str
    text: str


def clock(seconds: float) -> str:
    """Time since the start as h:mm:ss."""
    whole = int(seconds + 1e-6)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def word(phase: Phase) -> str:
    """A phase as it is read: "line-up"."""
    return phase.value.replace("_", "-")


def pressure(pa_abs: float, settings: Settings) -> str:
    """A pressure in the rig's units; "--" when not known."""
    if not isfinite(pa_abs):
        return "--"
    dimension = units.ABSOLUTE_PRESSURE
    return units.format_pressure(pa_abs, units.preferred_unit(pa_abs, dimension, settings.units.value))


def temperature(degc: float, settings: Settings) -> str:
    """A temperature in the rig's units; "--" when not known."""
    if not isfinite(degc):
        return "--"
    return units.format_temperature(degc, units.preferred_unit(degc, units.TEMPERATURE, settings.units.value))


def mass(kg: float, settings: Settings, uncertainty_kg: float = nan, *, coarse: bool = False) -> str:
    """A mass in the rig's units, with its expanded uncertainty (k = 2) where that is given.

    `coarse` leaves it at the digits that an inferred mass deserves, where a weighed one has more.
    """
    if not isfinite(kg):
        return "--"
    unit = units.preferred_unit(kg, units.MASS, settings.units.value)
    decimals = 1 if coarse else 3 if unit == "kg" else 2
    number = f"{units.in_unit(kg, unit, units.MASS):.{decimals}f}"
    if not isfinite(uncertainty_kg):
        return f"{number} {unit}"
    return f"{number} ± {units.in_unit(2.0 * uncertainty_kg, unit, units.MASS):.{decimals}f} {unit}"


def mass_range(kg: float, low_kg: float, high_kg: float, settings: Settings) -> str:
    """An inferred mass with its 90 % range, in the rig's units."""
    if not (isfinite(low_kg) and isfinite(high_kg)):
        return "--"
    unit = units.preferred_unit(max(kg, high_kg) if isfinite(kg) else high_kg, units.MASS, settings.units.value)
    low, middle, high = (f"{units.in_unit(part, unit, units.MASS):.2g}" for part in (low_kg, kg, high_kg))
    return f"{middle} ({low} to {high}) {unit}" if isfinite(kg) else f"{low} to {high} {unit}"


def flow(kg_s: float, settings: Settings) -> str:
    """A mass flow in the rig's units."""
    if not isfinite(kg_s):
        return "--"
    unit = units.preferred_unit(kg_s, units.MASS_FLOW, settings.units.value)
    value = round(units.in_unit(kg_s, unit, units.MASS_FLOW), 2) + 0.0
    return f"{value:.2f} {unit}"


def span(seconds: float) -> str:
    """A time to come, no finer than it can be known."""
    if seconds < 90.0:
        return f"{max(seconds, 0.0):.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h"


def finish(record: ScanRecord) -> str:
    """Time to finish with its 90 % range."""
    estimate = record.estimate
    if record.phase in (Phase.COMPLETE, Phase.STOPPED):
        return "ended"
    if record.phase in (Phase.ABORTING, Phase.ABORTED):
        return "not before the trip is reset"
    if not isfinite(estimate.finish_s):
        return "not known yet"
    low, high = estimate.finish_low_s, estimate.finish_high_s
    if not isfinite(low):
        return f"about {span(estimate.finish_s)}"
    if high == inf or not isfinite(high):
        return f"about {span(estimate.finish_s)}, at least {span(low)}"
    first, last = span(low), span(high)
    if first.split()[1] == last.split()[1]:
        first = first.split()[0]
    return f"about {span(estimate.finish_s)} ({first} to {last})"


class Story:
    """Events of the scans, and what else happened, as lines that a person can follow.

    A hold or trip told twice within one stop is one line, and an alarm that comes and goes is told once in
    `QUIET_FOR_S`; the journal has all of it.

    Parameters
    ----------
    most
        Lines kept.
    """

    def __init__(self, most: int = 400) -> None:
        self.lines: deque[Line] = deque(maxlen=most)
        self.now_s = 0.0
        """Time of the last scan taken in, since the start."""
        self._recent: deque[str] = deque(maxlen=4)
        self._told_s: dict[str, float] = {}

    def add(self, record: ScanRecord, at_s: float) -> list[Line]:
        """Take in a scan, at a time since the start, and return the lines that are new."""
        self.now_s = at_s
        fresh = []
        refused = {reply.request_id for reply in record.replies if not reply.accepted}
        for event in record.events:
            text = event.text
            if event.kind == "phase":
                text = " -> ".join(part.strip().replace("_", "-") for part in text.split("->"))
            elif event.kind == "alarm":
                state, _, sentence = text.partition(": ")
                if state != AlarmState.UNACKNOWLEDGED.value or at_s < self._told_s.get(event.tag, -inf) + QUIET_FOR_S:
                    continue
                self._told_s[event.tag] = at_s
                # The trip or hold of the same moment says the sentence.
                told = sentence in self._recent or any(sentence == other.text for other in record.events)
                text = event.tag if told else f"{event.tag}: {sentence}"
            elif event.kind == "request" and event.tag not in refused:
                # Who asked is told already; that it was taken shows.
                continue
            elif event.kind in _REPEATED:
                if text in self._recent:
                    continue
                self._recent.append(text)
            fresh.append(self._put(event.kind, text))
        return fresh

    def note(self, kind: str, text: str) -> Line | None:
        """Add a line that comes from no scan, say what a person did; None when it was told just before."""
        if self.now_s < self._told_s.get(text, -inf) + QUIET_FOR_S:
            return None
        self._told_s[text] = self.now_s
        return self._put(kind, text)

    def _put(self, kind: str, text: str) -> Line:
        line = Line(self.now_s, kind, text)
        self.lines.append(line)
        return line


def plain(line: Line) -> str:
    """A line of the story without a terminal."""
    return f"{clock(line.at_s)}  {line.kind:<9} {line.text}"


def status_line(record: ScanRecord, settings: Settings, at_s: float) -> str:
    """One line that says how the rig stands, for logs."""
    estimate, readings = record.estimate, record.readings
    now_s, max_age_s = readings.now_s, settings.instruments.reading_max_age_s

    def shown(reading: Reading) -> str:
        return pressure(reading.value if sound(reading, now_s, max_age_s) else nan, settings)

    fill = estimate.fill_fraction
    parts = [
        word(record.phase),
        f"suction {shown(readings.pt_101_pa_abs)}",
        f"discharge {shown(readings.pt_201_pa_abs)}",
        f"recovered {mass(estimate.recovered_kg, settings)}",
        f"flow {flow(estimate.flow_kg_s, settings)}",
        f"cylinder {fill:.0%} of its limit" if isfinite(fill) else "cylinder fill not known",
        f"to finish: {finish(record)}",
    ]
    return plain(Line(at_s, "status", " | ".join(parts)))


# ---- the view --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Gauge:
    """What one instrument shows and between which ends."""

    label: str
    tag: str
    reading: Reading
    low: float
    high: float
    limit: float = nan
    mark: float = nan
    log: bool = False


class LiveView:
    """The rig as one screenful, for `rich.live.Live`; fits 80x24 and uses what room there is beyond.

    Parameters
    ----------
    settings
        Of the job.
    story
        The events to show.
    history
        For the trends that a big terminal has room for.
    """

    def __init__(self, settings: Settings, story: Story, history: History | None = None) -> None:
        self.record: ScanRecord | None = None
        self.footer: tuple[str, ...] = ()
        """Short remarks on telemetry, journal and how to stop; each its own piece."""
        self.pace = ""
        """How fast simulated time goes, for the title."""
        self._settings = settings
        self._story = story
        self._history = history
        self._on_the_road = Phase.IDLE
        self._been: set[Phase] = set()

    def show(self, record: ScanRecord) -> None:
        """Take in a scan to be shown; every scan may be given, the newest is drawn."""
        self.record = record
        if record.phase in RUNNING or record.phase is Phase.COMPLETE:
            self._on_the_road = record.phase
            self._been.add(record.phase)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw for the size of the terminal."""
        yield self.render(options.max_width, options.height or console.height)

    def render(self, width: int, height: int) -> Text:
        """The screen as text of at most `height` lines of at most `width` cells."""
        record = self.record
        if record is None:
            return Text("Waiting for the first scan.")
        head = [self._title(width), self._road(record), self._state(record, width), _rule(width)]
        wide = width >= 110 and self._history is not None
        instruments = self._instruments(record, width, wide)
        job = self._job(record, width)
        alarms = self._alarms(record, width, most=2 if height >= 36 else 1)
        asked = self._asked(record, width)
        foot = [_rule(width), self._foot(width)]
        used = len(head) + len(instruments) + len(job) + len(asked) + len(foot) + 2
        room = height - used
        alarms = _at_most(alarms, max(1, min(len(alarms), room - 2)))
        story = self._events(width, max(1, height - used - len(alarms)))
        lines = [*head, *instruments, _rule(width), *job, _rule(width), *alarms, *asked, *story]
        lines = lines[: height - len(foot)]
        lines += [Text("")] * (height - len(foot) - len(lines))
        lines += foot
        for line in lines:
            line.truncate(width, overflow="ellipsis")
        return Text("\n", no_wrap=True, end="").join(lines)

    def _title(self, width: int) -> Text:
        job = self._settings.job
        left = f" {job.name}, {job.refrigerant}"
        right = f"{clock(self._story.now_s)}  {self.pace} "
        room = width - len(right) - 1
        if cell_len(left) > room:
            left = left[: room - 1] + "…"
        return Text(left + " " * (width - cell_len(left) - cell_len(right)) + right, style="reverse")

    def _road(self, record: ScanRecord) -> Text:
        line = Text(" ")
        ended_early = record.phase in (Phase.STOPPED, Phase.ABORTED)
        for number, phase in enumerate(self._phases()):
            if number:
                line.append(" ─ ", QUIET)
            if phase is record.phase:
                line.append(f"[{word(phase).upper()}]", BRIGHT)
            elif phase is self._on_the_road:
                line.append(f"({word(phase)})", QUIET if ended_early else BRIGHT)
            elif phase in self._been:
                line.append(f"{word(phase)} ✓")
            else:
                line.append(word(phase), QUIET)
        return line

    def _phases(self) -> Iterator[Phase]:
        for phase in (*RUNNING, Phase.COMPLETE):
            if phase is Phase.LIQUID and not self._settings.job.liquid_first and phase not in self._been:
                continue
            if phase is Phase.PUSH_PULL and phase not in self._been:
                continue  # chosen by the rig itself, and mostly not
            if phase is Phase.CLEAR_OUT and not self._settings.fitted.cooler_valves:
                continue
            yield phase

    def _state(self, record: ScanRecord, width: int) -> Text:
        phase, estimate = record.phase, record.estimate
        line = Text(" ")
        line.append(f" {word(phase).upper()} ", _STATE_STYLE.get(phase, BRIGHT))
        line.append(f" for {clock(record.in_phase_s)[2:] if record.in_phase_s < 3600 else clock(record.in_phase_s)}")
        if phase is Phase.STANDING:
            line.append(f"   watching the pressure for {span(self._settings.procedure.standing_s)}", QUIET)
        if phase in RUNNING:
            if estimate.limited_by.value != "nothing" and phase in _TAKING:
                line.append("   rate set by ", QUIET)
                line.append(estimate.limited_by.value)
            if phase in _TAKING:
                line.append("   inlet ", QUIET)
                line.append(estimate.inlet_phase.value)
            failed = sum(not check.passed for check in record.standing_checks)
            if failed and width >= 70:
                line.append(f"   standing checks failed: {failed}", QUIET)
        return line

    def _instruments(self, record: ScanRecord, width: int, wide: bool) -> list[Text]:
        left = [Text(" Pressure (log scale)", QUIET)]
        temperatures = self._temperatures(record)
        right = [Text("Temperature", QUIET)] if temperatures else []
        gap = 2
        half = (width - gap) // 2
        left += [self._gauge(record, gauge, half) for gauge in self._pressures(record)]
        right += [self._gauge(record, gauge, width - half - gap) for gauge in temperatures]
        lines = _beside(left, right, half, gap)
        if wide and self._history is not None:
            mass_of, suction_of = self._trend_mass, self._trend_pressure
            trends = _beside(suction_of(self._history, half), mass_of(self._history, width - half - gap), half, gap)
            lines += [Text(""), *trends]
        return lines

    def _pressures(self, record: ScanRecord) -> list[_Gauge]:
        readings, settings = record.readings, self._settings
        limits, fitted, level = settings.limits, settings.fitted, settings.job.level_pa_abs
        high, low = 1.1 * limits.discharge_high_pa_abs, 0.1e5
        cylinder = record.cylinders[-1].cylinder if record.cylinders else settings.cylinder
        rated = cylinder.service_pressure_pa_gauge * limits.cylinder_high_fraction + units.STANDARD_ATMOSPHERE_PA
        gauges = [
            _Gauge("appliance", "PT-001", readings.pt_001_pa_abs, low, high, mark=level, log=True),
            _Gauge("suction", "PT-101", readings.pt_101_pa_abs, low, high, mark=level, log=True),
            _Gauge("throttled", "PT-102", readings.pt_102_pa_abs, low, high, log=True),
            _Gauge("discharge", "PT-201", readings.pt_201_pa_abs, low, high, limits.discharge_high_pa_abs, log=True),
            _Gauge("cylinder", "PT-301", readings.pt_301_pa_abs, low, high, rated, log=True),
        ]
        there = {"PT-001": fitted.pt_001, "PT-102": fitted.pt_102, "PT-301": fitted.pt_301}
        return [gauge for gauge in gauges if there.get(gauge.tag, True)]

    def _temperatures(self, record: ScanRecord) -> list[_Gauge]:
        readings, settings = record.readings, self._settings
        limits, fitted = settings.limits, settings.fitted
        high = 1.08 * limits.discharge_high_degc
        frost = 0.0 if settings.job.water_side else nan
        gauges = [
            _Gauge("appliance", "TT-001", readings.tt_001_degc, -40.0, high, mark=frost),
            _Gauge("suction", "TT-101", readings.tt_101_degc, -40.0, high),
            _Gauge("discharge", "TT-201", readings.tt_201_degc, -40.0, high, limits.discharge_high_degc),
            _Gauge("cylinder", "TT-301", readings.tt_301_degc, -40.0, high, limits.cylinder_high_degc),
        ]
        there = {"TT-001": fitted.tt_001, "TT-101": fitted.tt_101, "TT-201": fitted.tt_201, "TT-301": fitted.tt_301}
        return [gauge for gauge in gauges if there[gauge.tag]]

    def _gauge(self, record: ScanRecord, gauge: _Gauge, width: int) -> Text:
        now_s, reading = record.readings.now_s, gauge.reading
        fit = sound(reading, now_s, self._settings.instruments.reading_max_age_s)
        value = reading.value if fit else nan
        bad = fit and value >= gauge.limit
        line = Text(f" {gauge.label:<9}")
        line.append(f" {gauge.tag} ", QUIET)
        shown = pressure(value, self._settings) if gauge.log else temperature(value, self._settings)
        if not fit:
            why = reading.fault.value if reading.fault is not None else "stale"
            line.append(f"■ {why}", _CAUTION)
            return line
        line.append(f"{shown:>12}", _BAD_INK if bad else "")
        room = width - cell_len(line.plain) - 1
        if room >= 8:
            line.append(" ")
            line.append_text(_bar(gauge, value, min(room, 34), bad))
        return line

    def _job(self, record: ScanRecord, width: int) -> list[Text]:
        estimate, settings = record.estimate, self._settings
        recovered = Text(" Recovered ", QUIET)
        recovered.append(mass(estimate.recovered_kg, settings, estimate.recovered_uncertainty_kg), BRIGHT)
        recovered.append("   flow ", QUIET)
        recovered.append(flow(estimate.flow_kg_s, settings))
        recovered.append("   left in appliance " if width >= 100 else "   left ", QUIET)
        recovered.append(mass_range(estimate.left_kg, estimate.left_low_kg, estimate.left_high_kg, settings))
        cylinder = record.cylinders[-1].cylinder if record.cylinders else settings.cylinder
        fill = estimate.fill_fraction
        filled = Text(" Cylinder  ", QUIET)
        filled.append(cylinder.serial + " ")
        room = max(10, min(40, width - 62))
        filled.append_text(_fill_bar(fill, room))
        filled.append(f" {fill:.0%}" if isfinite(fill) else " not known", _BAD_INK if fill > 1.0 else "")
        filled.append(" of ", QUIET)
        filled.append(mass(estimate.fill_limit_kg, settings))
        second = estimate.second_kg / estimate.fill_limit_kg
        if isfinite(second) and width >= 78:
            filled.append(f"   without the scale {second:.0%}", QUIET)
        ending = Text(" To finish ", QUIET)
        ending.append(finish(record), BRIGHT)
        ending.append("   to reach " if width >= 100 else "   to ", QUIET)
        ending.append(settings.job.level_text)
        return [recovered, filled, ending, self._outputs(record)]

    def _outputs(self, record: ScanRecord) -> Text:
        fitted, bits = self._settings.fitted, record.outputs.bits
        line = Text(" On        ", QUIET)
        there = {
            "XV-101": fitted.xv_101, "XV-102": fitted.xv_102, "M-201": fitted.m_201, "M-202": fitted.m_202,
            "M-001": fitted.m_001, "EH-001": fitted.eh_001,
        } | dict.fromkeys(("XV-201", "XV-202", "XV-203", "XV-204"), fitted.cooler_valves)  # fmt: skip
        there |= dict.fromkeys(("XV-104", "XV-105", "XV-106"), fitted.push_pull)
        on = [tag for bit, tag in enumerate(OUTPUT_TAGS) if bits >> bit & 1 and there.get(tag, True)]
        groups: dict[str, list[str]] = {}
        for tag in on:
            letters, _, number = tag.partition("-")
            groups.setdefault(letters, []).append(number)
        together = "   ".join(f"{letters}-{' '.join(numbers)}" for letters, numbers in groups.items())
        line.append(together or "nothing", BRIGHT if "M-101" in on else "")
        if fitted.cv_103:
            line.append(f"   CV-103 {record.outputs.cv_103:.0%}", QUIET)
        return line

    def _alarms(self, record: ScanRecord, width: int, most: int) -> list[Text]:
        """Alarms, the gravest first, each in at most `most` lines."""
        if not record.alarms:
            return [Text(" No alarms", QUIET)]
        order = list(_ALARM_SHAPE)
        ranked = sorted(record.alarms, key=lambda alarm: (order.index(alarm.kind), alarm.since_s))
        return [line for alarm in ranked for line in _alarm_lines(alarm, width, most)]

    def _asked(self, record: ScanRecord, width: int) -> list[Text]:
        sentence = record.sentence
        if not sentence:
            return self._quicker(record, width)
        bad = record.phase in (Phase.ABORTING, Phase.ABORTED)
        paused = record.phase in _PAUSED or record.phase in (Phase.STOPPING, Phase.STOPPED)
        style = _BAD_INK if bad else _CAUTION if paused else BRIGHT
        pieces = _wrap(sentence, width - 12)
        lines = []
        for number, piece in enumerate(pieces[:3]):
            line = Text(" Asked     " if number == 0 else " " * 11, QUIET)
            line.append(piece, style)
            lines.append(line)
        return lines

    def _quicker(self, record: ScanRecord, width: int) -> list[Text]:
        """What would save most now, if anything does."""
        if record.phase not in (Phase.LIQUID, Phase.VAPOR) or not record.estimate.remedies:
            return []
        first = record.estimate.remedies[0]
        lines = []
        for number, piece in enumerate(_wrap(first.sentence, width - 12)[:2]):
            line = Text(" Quicker   " if number == 0 else " " * 11, QUIET)
            line.append(piece, QUIET if first.what is What.WAIT else "")
            lines.append(line)
        return lines

    def _events(self, width: int, room: int) -> list[Text]:
        """The newest events that fit, oldest first, long ones wrapped."""
        lines: list[Text] = []
        for event in reversed(self._story.lines):
            pieces = _wrap(event.text, width - 12)[:3]
            block = []
            for number, piece in enumerate(pieces):
                line = Text(f" {clock(event.at_s):>8}  " if number == 0 else " " * 11, QUIET)
                line.append(piece, _CAUTION if event.kind in ("trip", "hold") else "")
                block.append(line)
            if len(lines) + len(block) > room:
                break
            lines = block + lines
        return lines

    def _foot(self, width: int) -> Text:
        line = " "
        for piece in self.footer:
            joined = f"{line}   {piece}" if line.strip() else f" {piece}"
            if cell_len(joined) > width:
                break
            line = joined
        return Text(line, QUIET)

    def _trend_pressure(self, history: History, width: int) -> list[Text]:
        values = [log(pa) if pa > 0.0 else nan for pa in history.pressure_pa_abs["PT-101"]]
        ends = [pa for pa in history.pressure_pa_abs["PT-101"] if pa > 0.0]
        title = Text(" Suction PT-101 (log)", QUIET)
        if ends:
            title.append(f"   {pressure(min(ends), self._settings)} to {pressure(max(ends), self._settings)}", QUIET)
        return [title, *_area(values, width - 4, 4)]

    def _trend_mass(self, history: History, width: int) -> list[Text]:
        values = list(history.recovered_kg)
        title = Text("Recovered", QUIET)
        known = [kg for kg in values if isfinite(kg)]
        if known:
            title.append(f"   0 to {mass(max(known), self._settings)}", QUIET)
        return [title, *_area(values, width - 4, 4)]


def _rule(width: int) -> Text:
    return Text("─" * width, QUIET)


def _at_most(lines: list[Text], most: int) -> list[Text]:
    if len(lines) <= most:
        return lines
    kept = lines[: most - 1] if most > 1 else []
    return [*kept, Text(f" and {len(lines) - len(kept)} more alarms", QUIET)]


def _alarm_lines(alarm: Alarm, width: int, most: int) -> list[Text]:
    shape, style = _ALARM_SHAPE[alarm.kind]
    seen = alarm.state is AlarmState.ACKNOWLEDGED
    gone = alarm.state in (AlarmState.RETURNED, AlarmState.LATCHED)
    head = Text(" ")
    head.append(f"{shape:<9} ", QUIET if gone else style)
    head.append(f"{alarm.tag} ", "" if seen or gone else BRIGHT)
    state = {
        AlarmState.UNACKNOWLEDGED: "new",
        AlarmState.ACKNOWLEDGED: "seen",
        AlarmState.RETURNED: "gone, not seen",
        AlarmState.LATCHED: "gone, reset needed",
        AlarmState.NORMAL: "",
    }[alarm.state]
    head.append(f"({state}) ", QUIET)
    whole = head.plain + alarm.text
    if most == 1 or cell_len(whole) <= width:
        head.append(alarm.text, QUIET if gone else "")
        return [head]
    lines = _wrap_after(alarm.text, width - cell_len(head.plain), width - 11)
    head.append(lines[0], QUIET if gone else "")
    return [head, *(Text(" " * 11 + line, QUIET if gone else "") for line in lines[1:most])]


def _bar(gauge: _Gauge, value: float, width: int, bad: bool) -> Text:
    def cell(at: float) -> int:
        if gauge.log:
            share = (log(max(at, gauge.low)) - log(gauge.low)) / (log(gauge.high) - log(gauge.low))
        else:
            share = (at - gauge.low) / (gauge.high - gauge.low)
        return min(max(int(share * width), 0), width - 1)

    track = ["─"] * width
    if isfinite(gauge.mark):
        track[cell(gauge.mark)] = "┼"
    if isfinite(gauge.limit):
        track[cell(gauge.limit)] = "┤"
    at = cell(value)
    line = Text("".join(track[:at]), QUIET)
    line.append("▼" if bad else "●", _BAD_INK if bad else "")
    line.append("".join(track[at + 1 :]), QUIET)
    return line


def _fill_bar(fraction: float, width: int) -> Text:
    """Filled share of what the cylinder may hold."""
    line = Text("▕")
    if not isfinite(fraction):
        line.append("?" * width, _CAUTION)
    else:
        full = min(max(fraction, 0.0), 1.0) * width
        whole = int(full)
        line.append("█" * whole, _BAD_INK if fraction > 1.0 else "")
        if whole < width:
            line.append(" ▏▎▍▌▋▊▉"[int((full - whole) * 8)])
            line.append("·" * (width - whole - 1), QUIET)
    line.append("▏")
    return line


def _area(values: Sequence[float], width: int, rows: int) -> list[Text]:
    """A curve as columns of blocks, all time in one width."""
    if not values or width < 4:
        return [Text("")] * rows
    shown = [values[int(column * len(values) / width)] for column in range(width)] if len(values) > width else values
    known = [value for value in shown if isfinite(value)]
    low, high = (min(known), max(known)) if known else (0.0, 1.0)
    steps = rows * 8 - 1
    heights = [
        int((value - low) / (high - low) * steps) + 1 if isfinite(value) and high > low else 0 if value != value else 1
        for value in shown
    ]
    lines = []
    for row in range(rows - 1, -1, -1):
        cells = "".join(" ▁▂▃▄▅▆▇█"[min(max(height - row * 8, 0), 8)] for height in heights)
        lines.append(Text(" " + cells, QUIET))
    return lines


def _beside(left: Sequence[Text], right: Sequence[Text], width: int, gap: int) -> list[Text]:
    lines = []
    for row in range(max(len(left), len(right))):
        line = left[row].copy() if row < len(left) else Text("")
        line.truncate(width, overflow="ellipsis")
        line.append(" " * (width - cell_len(line.plain) + gap))
        if row < len(right):
            line.append_text(right[row])
        lines.append(line)
    return lines


def _wrap(text: str, width: int) -> list[str]:
    return _wrap_after(text, width, width)


def _wrap_after(text: str, first: int, width: int) -> list[str]:
    """Lines of words; the first line has a width of its own."""
    lines: list[str] = []
    for piece in text.split():
        room = first if len(lines) <= 1 else width
        if lines and cell_len(lines[-1]) + 1 + cell_len(piece) <= room:
            lines[-1] += " " + piece
        else:
            lines.append(piece)
    return lines or [""]
