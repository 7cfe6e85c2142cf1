"""The walk through commissioning with a person: every step on the real wires, the sheet written after each.

Only one output is energised at a time; whatever ends the walk, all outputs are made safe first (`ByHand.close`).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, Protocol

import msgspec

from rigctl import units
from rigctl.commissioning import figures as figures_of
from rigctl.commissioning import sheet as sheets
from rigctl.commissioning import steps
from rigctl.commissioning.by_hand import ByHand
from rigctl.commissioning.rig_text import RigTextError, write_calibration
from rigctl.commissioning.sheet import Calibration, CalibrationPoint, Entry, Sheet, Signature
from rigctl.commissioning.steps import Step
from rigctl.config import RigConfig, load_rig
from rigctl.hardware import wiring
from rigctl.hardware.wiring import INPUTS, OUTPUTS

_SEEN_WITHIN_S: Final = 60.0
_STANDS_WITHIN_S: Final = 2.0
_RAISED_WITHIN_S: Final = 600.0
_LOOKS_EVERY_S: Final = 0.05
_GATHERS_S: Final = 3.0
_JOG_S: Final = 2.0
_JOG_RISE_PA: Final = 5e5
"""More in that time means that nothing lets it out; engineering estimate, no source."""
_CV_ALLOWED: Final = 0.03

CAUTIONS: Final = (
    "Local codes, the makers' instructions and licensed practice come first. Pressure tests and mains wiring are for"
    " people qualified for them.",
    "The software is never the only protection: pressure switch, emergency stop, relief valves and dead-man relay must"
    " act without it.",
    "Pressure tests with dry nitrogen from a regulated bottle, never with oxygen, compressed air or refrigerant.",
)
PROTECTIONS: Final = {
    "hardware_pressure_switch": "PSH-201 stands in series with the coil of the motor's contactor, reset by hand",
    "emergency_stop": "HS-001 cuts the supply of all outputs, without the software",
    "cylinder_relief_valve": "the cylinder has its relief valve, unblocked",
    "trapped_liquid_relief": "liquid locked in between valves has a relief",
    "output_watchdog": "outputs drop by themselves when nobody writes them or KS-001 stands still",
}


class LeaveError(Exception):
    """The person wants to end for now."""


class SkipError(Exception):
    """The person leaves this step for later."""


class Person(Protocol):
    """Who stands at the rig."""

    def tell(self, text: str) -> None:
        """Say something."""

    def ask(self, question: str) -> str:
        """Ask for a line; may raise `LeaveError` or `SkipError`."""

    def yes(self, question: str) -> bool:
        """Ask for yes or no; may raise `LeaveError` or `SkipError`."""

    def progress(self, text: str) -> None:
        """Show how it goes; the next call overwrites it, "" ends it."""


class _Outcome(msgspec.Struct, frozen=True):
    passed: bool
    text: str
    figures: dict[str, float] = msgspec.field(default_factory=dict)
    calibration: Calibration | None = None


class Walk:
    """One walk.

    Parameters
    ----------
    rig
        As its file is now.
    sheet
        Gone on with; finished steps are kept.
    hand
        Started; whoever made it closes it.
    person
        At the rig.
    pause, clock
        Waiting, s, and the monotonic clock that goes with it, s; replaced in tests.
    """

    def __init__(
        self,
        rig: RigConfig,
        sheet: Sheet,
        hand: ByHand,
        person: Person,
        pause: Callable[[float], None] = time.sleep,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.rig, self.sheet = rig, sheet
        self._hand, self._person, self._pause, self._clock = hand, person, pause, clock
        self._by = ""
        self._do: Mapping[str, Callable[[Step], _Outcome]] = {
            steps.PROTECTION: self._protection,
            steps.INPUT: self._input,
            steps.OUTPUT: self._output,
            steps.CALIBRATION: self._calibration,
            steps.DEAD_MAN: self._dead_man,
            steps.STOP: self._stop,
            steps.SWITCH: self._switch,
            steps.LEAK: self._leak,
        }

    def go(self, only: str | None = None) -> bool:
        """Do what is not done yet, or one step; whether the sheet is valid afterwards.

        Raises
        ------
        LeaveError
            If the person ends it; all that was done is in the sheet.
        """
        for caution in CAUTIONS:
            self._person.tell(caution)
        while not self._by:
            self._by = self._person.ask("Your name, for the sheet:").strip()
        today = datetime.now(UTC).date()
        todo = [
            step
            for step in steps.wanted(self.rig)
            if (sheets.why_open(self.sheet, self.rig, step, today) if only is None else step.name == only)
        ]
        for number, step in enumerate(todo, start=1):
            self._person.tell(f"[{number} of {len(todo)}] {step.name}")
            try:
                outcome = self._do[step.kind](step)
            except SkipError:
                self._person.tell("Left for later.")
                continue
            finally:
                self._hand.off()
            self._enter(step, outcome)
        return self._sign()

    def _enter(self, step: Step, outcome: _Outcome) -> None:
        self._person.tell(("Passed: " if outcome.passed else "FAILED: ") + outcome.text)
        self.sheet.entries[step.name] = Entry(
            sheets.PASSED if outcome.passed else sheets.FAILED, outcome.text, self._by, _utc(),
            sheets.fingerprint(self.rig, step), outcome.figures, outcome.calibration,
        )  # fmt: skip
        self.sheet.signature = None
        sheets.save(self.sheet, sheets.path_of(self.rig))

    def _sign(self) -> bool:
        today = datetime.now(UTC).date()
        if open_points := sheets.open_steps(self.sheet, self.rig, today):
            self._person.tell(f"Not finished: {len(open_points)} open.")
            for sentence in open_points:
                self._person.tell(f"  {sentence}")
            return False
        if not sheets.why_not_valid(self.sheet, self.rig, today):
            return True
        self._person.tell("Every step has passed.")
        name = self._person.ask("Who signs the sheet? Name:").strip()
        role = self._person.ask("In which role (for example: builder, licensed technician):").strip()
        if not (name and role and self._person.yes(f"{name}, {role}: do you answer for what the sheet says?")):
            self._person.tell("Not signed.")
            return False
        self.sheet.signature = Signature(name, role, today.isoformat(), _utc())
        sheets.save(self.sheet, sheets.path_of(self.rig))
        return True

    # ---- what people and wires say ---------------------------------------------------------------------------

    def _shown(self, tag: str, value: float, like: float | None = None) -> str:
        return figures_of.shown(tag, value, self.rig.units.value, like)

    def _differs(self, tag: str, value: float) -> str:
        return figures_of.differs(tag, value, self.rig.units.value)

    def _reference(self, tag: str, question: str) -> float | None:
        """What a reference shows, SI; None for "f", that the point is wrong. Empty: `question` is asked again."""
        while True:
            answer = self._person.ask(question).strip()
            if answer.lower() == "f":
                return None
            if not answer:
                return float("nan")
            try:
                return units.parse(answer, units.dimension_of(INPUTS[tag][0]))
            except units.UnitError as error:
                self._person.tell(str(error))

    def _uncertainty(self, tag: str) -> float:
        instruments = self.rig.instruments
        if tag.startswith("PT-"):
            return instruments.pressure_uncertainty_pa
        if tag.startswith("TT-"):
            return instruments.temperature_uncertainty_k
        return instruments.scale_uncertainty_kg + instruments.scale_resolution_kg if tag == "WT-301" else 0.03

    def _span(self, tag: str) -> float:
        point = self._hand.wires.points[tag]
        return point.high - point.low if point.signal == "4-20 mA" else self.rig.limits.discharge_high_pa_abs

    def _gather(self, tag: str) -> list[float]:
        """Readings over some seconds, without their calibration; those with a fault are left out."""
        values = []
        for _ in range(round(_GATHERS_S / 0.1)):
            self._pause(0.1)
            value = self._hand.plain(tag)
            if value == value:
                values.append(value)
        return values

    def _until(self, what: Callable[[], bool], within_s: float, show: Callable[[], str] | None = None) -> float | None:
        """Time until something is so, s; None if it never is."""
        looks = round(within_s / _LOOKS_EVERY_S)
        from_s = self._clock()
        try:
            for look in range(looks):
                if what():
                    return self._clock() - from_s
                if show is not None and look % 10 == 0:
                    self._person.progress(show())
                self._pause(_LOOKS_EVERY_S)
        finally:
            if show is not None:
                self._person.progress("")
        return None

    def _others_on(self, tag: str) -> list[str]:
        tags = [other for other in self._hand.wires.points if other in OUTPUTS and other not in (tag, "CV-103")]
        return [other for other in tags if self._hand.is_on(other)]

    # ---- the steps -------------------------------------------------------------------------------------------

    def _protection(self, step: Step) -> _Outcome:
        for field, sentence in PROTECTIONS.items():
            if getattr(self.rig.protection, field) and not self._person.yes(f"Seen and found in order: {sentence}?"):
                return _Outcome(False, f"Not so: {sentence}.")
        return _Outcome(True, "All that protects without the software was seen and found in order.")

    def _input(self, step: Step) -> _Outcome:
        tag, (_, _, what) = step.tag, INPUTS[step.tag]
        if steps.contact(tag):
            return self._contact(tag, what)
        while True:
            fault = self._hand.fault(tag)
            if fault is not None:
                question = f"{tag} ({what}): {fault.value}. Mend it, then Enter; f if it stays so:"
                if self._person.ask(question).strip().lower() == "f":
                    return _Outcome(False, f"{tag} gives no value: {fault.value}.")
                continue
            reading = self._hand.reading(tag).value
            question = f"{tag} ({what}) reads {self._shown(tag, reading)}. What does a reference show, with its unit?"
            reference = self._reference(tag, f"{question} (Enter: read again; f: it is wrong)")
            if reference is None:
                return _Outcome(False, f"{tag} reads {self._shown(tag, reading)}, and that was found wrong.")
            if reference != reference:
                continue
            share = 0.02 * self._span(tag) if tag.startswith("PT-") else 0.1 if tag == "WT-301" else 0.0
            allowed = max(3.0 * self._uncertainty(tag), share)
            good = abs(reading - reference) <= allowed
            text = f"{tag} reads {self._shown(tag, reading, reference)}, the reference {self._shown(tag, reference)}"
            if not good:
                text += f": more apart than {self._differs(tag, allowed)}; look for a wrong span, unit or wire"
            return _Outcome(good, text + ".", {"reading": reading, "reference": reference})

    def _contact(self, tag: str, what: str) -> _Outcome:
        for state, word in ((0.0, "untrue"), (1.0, "true")):
            self._person.tell(f'{tag}: "{what}". Make that {word} at the device itself.')
            if self._reads_within(tag, state) is None:
                return _Outcome(False, f'{tag} never read {state:g}, as it must when "{what}" is {word}.')
        return _Outcome(True, f"{tag} was seen in both states.")

    def _reads_within(self, tag: str, state: float, within_s: float = _SEEN_WITHIN_S) -> float | None:
        return self._until(lambda: self._reads(tag) == state, within_s, lambda: f"{tag} reads {self._reads(tag)}")

    def _reads(self, tag: str) -> float | str:
        reading = self._hand.reading(tag)
        return reading.value if reading.fault is None else reading.fault.value

    def _output(self, step: Step) -> _Outcome:
        tag, what = step.tag, OUTPUTS[step.tag][1]
        if tag == "CV-103":
            return self._position(tag, what)
        motor = not tag.startswith("XV-")
        if tag == "M-101" and not self._person.yes(
            f"M-101 will start for {_JOG_S:g} s. Is its way out to the cylinder open or its supply isolated, guards on,"
            " hands off?"
        ):
            raise SkipError
        self._person.tell(f"{tag} ({what}) is energised now.")
        self._hand.put(tag, 1.0)
        from_s = self._clock()
        patience_s = max(1.0, 2.0 * self.rig.limits.readback_s)
        came = self._until(lambda: self._hand.is_on(tag) is not False, patience_s)
        figures = {}
        if came is None:
            return _Outcome(False, f"{tag} was energised, and it reads back off.")
        if others := self._others_on(tag):
            return _Outcome(False, f"With {tag} alone energised {', '.join(others)} reads back on as well.")
        if motor:
            if (rose_pa := self._jog(tag)) > _JOG_RISE_PA:
                text = f"PT-201 rose by {self._differs('PT-201', rose_pa)} at once: its way out is shut."
                return _Outcome(False, text, {"rise_pa": rose_pa})
            moved = self._person.yes(f"Did the {what}, and nothing else, come on and go off again?")
        else:
            moved = self._person.ask("Enter as soon as it has opened; f if it does not, or another one moves:") != "f"
            figures["stroke_s"] = self._clock() - from_s
            self._hand.off()
            moved = moved and self._person.yes("Has it shut again?")
        if not moved:
            return _Outcome(False, f"{tag} was energised, and the {what} did not move, or another thing did.", figures)
        if self._until(lambda: not self._hand.is_on(tag), patience_s) is None:
            return _Outcome(False, f"{tag} was de-energised, and it reads back on.", figures)
        allowed_s = self.rig.procedure.valve_stroke_s + steps.REACTION_S
        text = f"{tag}: the {what} {'came on' if motor else 'moved'}, and nothing else; "
        text += "read back." if self._hand.is_on(tag) is not None else "it cannot be read back."
        if not motor:
            text = f"{text[:-1]}; open {figures['stroke_s']:.1f} s after the command, a person's reaction included."
            if figures["stroke_s"] > allowed_s:
                text += f" procedure.valve_stroke allows {self.rig.procedure.valve_stroke_s:g} s."
                return _Outcome(False, text, figures)
        return _Outcome(True, text, figures)

    def _jog(self, tag: str) -> float:
        """Let a motor run for a moment; what the discharge rose by at the most, Pa. A dead head ends it."""
        before_pa, rose_pa = self._hand.reading("PT-201").value, 0.0

        def dead_head() -> bool:
            nonlocal rose_pa
            rose_pa = max(rose_pa, self._hand.reading("PT-201").value - before_pa)
            return rose_pa > _JOG_RISE_PA

        self._until(dead_head, _JOG_S)
        self._hand.off()
        return rose_pa

    def _position(self, tag: str, what: str) -> _Outcome:
        for share in (0.5, 1.0, 0.0):
            self._hand.put(tag, share)
            self._pause(max(1.0, 2.0 * self.rig.limits.readback_s))
            back = self._hand.position(tag)
            if back is not None and abs(back - share) > _CV_ALLOWED:
                return _Outcome(False, f"{tag} was told {share:.0%}, and it reads back {back:.0%}.")
            if not self._person.yes(f"{tag} is told {share:.0%}: does the {what} stand there?"):
                return _Outcome(False, f"{tag} was told {share:.0%}, and the {what} did not go there.")
        return _Outcome(True, f"{tag} goes to 50 %, 100 % and 0 %.")

    def _calibration(self, step: Step) -> _Outcome:
        tag, what = step.tag, INPUTS[step.tag][2]
        taken: list[CalibrationPoint] = []
        allowed = self._uncertainty(tag)
        while len(taken) < 3:
            which = ("a low point", "a high point", "a check point between the two")[len(taken)]
            reference = self._reference(
                tag,
                f"{tag} ({what}), {which}: bring it there, let it rest; what does the reference show? (f: give up)",
            )
            if reference is None:
                return _Outcome(False, f"The calibration of {tag} was given up.")
            if reference != reference:
                continue
            values = self._gather(tag)
            if len(values) < 5:
                self._person.tell(f"{tag} gave no steady value in {_GATHERS_S:g} s; look at its wire and device.")
                continue
            reading, spread = steps.mean_and_spread(values)
            if spread > 3.0 * allowed:
                self._person.tell(f"{tag} does not rest (spread {self._differs(tag, spread)}); wait and type it again.")
                continue
            if len(taken) == 1:
                more = steps.apart_enough(tag, taken[0].reference, reference, self._span(tag))
                if more > 0.0:
                    self._person.tell(f"Too near the low point: take one further off by {self._differs(tag, more)}.")
                    continue
            if len(taken) == 2:
                fitted = [point.reference for point in taken]
                more = steps.check_apart_enough(tag, fitted, reference, self._span(tag))
                if more > 0.0:
                    self._person.tell(f"Too near another point: take one further off by {self._differs(tag, more)}.")
                    continue
            taken.append(CalibrationPoint(reference, reading))
            self._person.tell(
                f"  reference {self._shown(tag, reference)}, reading {self._shown(tag, reading, reference)}"
            )
        return self._calibrated(tag, taken, allowed)

    def _calibrated(self, tag: str, taken: list[CalibrationPoint], allowed: float) -> _Outcome:
        try:
            line = steps.two_points(*((point.reference, point.reading) for point in taken[:2]))
        except ValueError as error:
            return _Outcome(False, f"{tag} cannot be calibrated: {error}.")
        residual = line.of(taken[2].reading) - taken[2].reference
        made = Calibration(tuple(taken), line.gain, line.zero, residual, allowed)
        text = f"{tag}: gain {line.gain:.5f}, zero {self._differs(tag, line.zero)}; check point off by"
        text += f" {self._differs(tag, residual)}, allowed {self._differs(tag, allowed)}."
        if not steps.GAIN[0] <= line.gain <= steps.GAIN[1]:
            low, high = steps.GAIN
            return _Outcome(False, f"{text} The gain is outside {low:g} to {high:g}: look at span and unit.", {}, made)
        if abs(residual) > allowed:
            return _Outcome(False, f"{text} Take it again; if it stays so the instrument is not straight.", {}, made)
        self._person.tell(text)
        if not self._person.yes(f"Write gain and zero into {self.rig.path}?"):
            return _Outcome(False, f"{text} It was not written into the rig's file.", {}, made)
        try:
            write_calibration(Path(self.rig.path), tag, line.gain, line.zero)
        except RigTextError as error:
            return _Outcome(False, str(error), {}, made)
        self.rig = load_rig(self.rig.path)
        self._hand.wires = wiring.load(self.rig.hardware, self.rig.fitted, scale_usable=False)
        return _Outcome(True, text, {"gain": line.gain, "residual": residual}, made)

    def _dead_man(self, step: Step) -> _Outcome:
        tag = step.tag
        if not self._person.yes(f"{tag} will be energised and the heartbeat stopped: may that be?"):
            raise SkipError
        self._hand.put(tag, 1.0)
        if self._until(lambda: self._hand.is_on(tag) is not False, 2.0) is None:
            return _Outcome(False, f"{tag} was energised, and it reads back off: nothing to see drop.")
        if self._hand.is_on(tag) is None and not self._person.yes(f"Is {tag} on now?"):
            return _Outcome(False, f"{tag} was energised, and it did not come on: nothing to see drop.")
        self._pause(0.5)
        self._hand.beating = False
        try:
            dropped_s = None
            if self._hand.is_on(tag) is not None:
                dropped_s = self._until(lambda: self._hand.is_on(tag) is False, steps.DROPS_WITHIN_S)
            else:
                self._pause(steps.DROPS_WITHIN_S)
            if dropped_s is None and not self._person.yes(f"The heartbeat stands still: has {tag} itself dropped?"):
                return _Outcome(False, f"{tag} was still on {steps.DROPS_WITHIN_S:g} s after the heartbeat stopped.")
        finally:
            self._hand.off()
            self._hand.beating = True
        if dropped_s is None:
            return _Outcome(True, f"{tag} dropped within {steps.DROPS_WITHIN_S:g} s, seen by a person.")
        return _Outcome(
            True, f"{tag} dropped {dropped_s:.2f} s after the heartbeat had stopped.", {"drop_s": dropped_s}
        )

    def _stop(self, step: Step) -> _Outcome:
        tag, wired = step.tag, "HS-001" in self._hand.wires.points
        if not self._person.yes(f"{tag} will be energised for this: may that be?"):
            raise SkipError
        if wired and self._reads_within("HS-001", 1.0, _STANDS_WITHIN_S) is None:
            return _Outcome(False, f"HS-001 reads {self._reads('HS-001')} before the stop is pressed; it must read 1.")
        self._hand.put(tag, 1.0)
        self._pause(1.0)
        self._person.tell("Press the emergency stop now.")
        if wired and self._reads_within("HS-001", 0.0) is None:
            return _Outcome(False, "The emergency stop was pressed, and HS-001 never read 0.")
        if not self._person.yes(f"Has {tag} dropped, and everything else with it?"):
            return _Outcome(False, f"The emergency stop did not drop {tag}.")
        self._hand.off()
        self._person.tell("Release the emergency stop.")
        if wired and self._reads_within("HS-001", 1.0) is None:
            return _Outcome(False, "The emergency stop was released, and HS-001 did not come back to 1.")
        return _Outcome(True, f"The emergency stop dropped {tag}" + ("; HS-001 followed." if wired else "."))

    def _switch(self, step: Step) -> _Outcome:
        set_pa = self.rig.commissioning.pressure_switch_pa_gauge + units.STANDARD_ATMOSPHERE_PA
        if set_pa <= self.rig.limits.discharge_high_pa_abs:
            return _Outcome(False, "PSH-201 is set below limits.discharge_high_pressure: it must stay the last line.")
        self._person.tell(
            f"PSH-201 is set to {self._shown('PT-201', set_pa)}. Isolate the motor's supply behind its contactor,"
            " connect dry nitrogen with a regulator and a reference gauge to the discharge side, and keep out of the"
            " line of fittings."
        )
        if not self._person.yes("The contactor will be energised. Is the motor isolated and all ready?"):
            raise SkipError
        wired, opened_pa = "PSH-201" in self._hand.wires.points, float("nan")
        if wired and self._reads_within("PSH-201", 1.0, _STANDS_WITHIN_S) is None:
            return _Outcome(False, f"PSH-201 reads {self._reads('PSH-201')} without pressure; it must read 1.")
        self._hand.put("M-101", 1.0)
        if wired:
            self._person.tell("Raise the pressure slowly until the switch opens.")
            seen = self._until(
                lambda: self._reads("PSH-201") == 0.0, _RAISED_WITHIN_S,
                lambda: f"PT-201 {self._shown('PT-201', self._hand.reading('PT-201').value)}",
            )  # fmt: skip
            if seen is None:
                return _Outcome(False, f"PSH-201 did not open within {_RAISED_WITHIN_S / 60.0:g} min.")
            opened_pa = self._hand.reading("PT-201").value
        question = "At which pressure of the reference gauge did the contactor drop?"
        if wired:
            question += f" PT-201 read {self._shown('PT-201', opened_pa)}."
        reference = self._reference("PT-201", f"{question} (f: it did not drop)")
        if reference is None or reference != reference:
            return _Outcome(False, "The motor's contactor did not drop when PSH-201 opened.")
        self._hand.off()
        off = abs(reference - set_pa) / (set_pa - units.STANDARD_ATMOSPHERE_PA)
        text = f"PSH-201 opened the motor's circuit at {self._shown('PT-201', reference)}"
        figures = {"opened_pa_abs": reference, "pt_201_pa_abs": opened_pa}
        if off > steps.SWITCH_ALLOWED:
            return _Outcome(False, f"{text}, {off:.0%} off its set pressure {self._shown('PT-201', set_pa)}.", figures)
        if not reference > self.rig.limits.discharge_high_pa_abs:
            return _Outcome(False, f"{text}, not above limits.discharge_high_pressure: lower that, or set it.", figures)
        if not self._person.yes("Let the pressure down. Did the switch stay open until it was reset by hand?"):
            return _Outcome(False, f"{text}, and closed again by itself: it must be reset by hand.", figures)
        return _Outcome(True, f"{text}; it is reset by hand.", figures)

    def _leak(self, step: Step) -> _Outcome:
        length_s = self.rig.commissioning.leak_down_s
        self._person.tell("The rig holds no refrigerant, but dry nitrogen or a vacuum; hoses shut off, at rest.")
        if not self._person.yes(f"Begin the {length_s / 60.0:g} min of the leak-down?"):
            raise SkipError
        thermometer = next((t for t in ("TT-101", "TT-201") if t in self._hand.wires.points), "")
        start_degc = self._degc(thermometer)
        before = {tag: steps.mean_and_spread(self._gather(tag) or [float("nan")])[0] for tag in ("PT-101", "PT-201")}
        parts = max(1, round(length_s / 5.0))
        for part in range(parts):
            left_min = (parts - part) * length_s / parts / 60.0
            now = ", ".join(f"{tag} {self._shown(tag, self._hand.reading(tag).value)}" for tag in before)
            self._person.progress(f"{part / parts:4.0%}, {left_min:.1f} min to go: {now}")
            self._pause(length_s / parts)
        self._person.progress("")
        end_degc = self._degc(thermometer)
        worst, told, figures = 0.0, [], {"length_s": length_s}
        for tag, start_pa in before.items():
            end_pa = steps.mean_and_spread(self._gather(tag) or [float("nan")])[0]
            change_pa = steps.corrected_change_pa(start_pa, end_pa, start_degc, end_degc)
            if change_pa != change_pa:
                return _Outcome(False, f"{tag} gave no value.")
            worst = max(worst, abs(change_pa))
            figures[f"{wiring.INPUTS[tag][0].removesuffix('_pa_abs')}_change_pa"] = change_pa
            told.append(f"{tag} from {self._shown(tag, start_pa)} by {self._differs(tag, change_pa)}")
        limit_pa = self.rig.commissioning.leak_down_limit_pa
        text = f"In {length_s / 60.0:g} min, temperature taken out: {', '.join(told)}"
        text += f"; allowed {self._differs('PT-101', limit_pa)}."
        return _Outcome(worst <= limit_pa, text, figures)

    def _degc(self, thermometer: str) -> float:
        if thermometer and self._hand.fault(thermometer) is None:
            return self._hand.reading(thermometer).value
        while True:
            answer = self._reference("TT-201", "Temperature at the rig now, with its unit:")
            if answer is not None and answer == answer:
                return answer


def _utc() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
