"""Commissioning over real wires: faults of a rig are found, and the sheet falls with what it depends on."""

from __future__ import annotations

import datetime as dt
import html.parser
import os
import re
import shutil
import signal
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil_sim.simulation import prepare
from hil_sim.wire.serve import Serve
from rigctl import units
from rigctl.commissioning import page, rig_text, steps
from rigctl.commissioning import sheet as sheets
from rigctl.commissioning.by_hand import ByHand
from rigctl.commissioning.sheet import Sheet
from rigctl.commissioning.walk import LeaveError, SkipError, Walk
from rigctl.config import ConfigError, RigConfig, load_job, load_rig
from rigctl.control.points import OUTPUT_TAGS
from rigctl.hardware.driver import Worker
from rigctl.hardware.rig import wired
from rigctl.hardware.wiring import INPUTS
from rigctl.runtime.run import Run
from tests.served import with_patience
from tests.strategies import CONFIGS
from tests.waiting import PATIENCE_S, PROGRAM_S, until

BAR = 1e5
TODAY = dt.datetime.now(dt.UTC).date()
HIGH = {"low": 0.02, "high": 0.8, "check": 0.4}
"""Shares of the span at which a calibration is taken; the scale has its own masses."""


class World:
    """A rig's terminals, laid out by hand; the plant behind them stands still, and so does its clock.

    Time passes only while the walk pauses: what a person and a relay do meanwhile is the same on every machine.
    """

    def __init__(self, folder: Path, **how: Any) -> None:
        self.now_s = 1000.0
        self.serve = Serve(prepare("split-ac", "full", None), clock=lambda: self.now_s, **how)
        self.path = folder / "rig.toml"
        self.serve.write_rig(self.path)
        text = with_patience(self.path.read_text(), ("stale", "timeout"))
        self.path.write_text(text.replace('period = "50 ms"', 'period = "10 ms"'))
        self.workers: dict[str, Worker] = {}
        self.instruments = {instrument.tag: instrument for instrument in self.serve.bench.sensors.instruments}
        self.true = {"WT-301": 20.0, "AT-001": 0.0}
        self.true |= {
            tag: 25.0 if tag.startswith("TT-") else 1.0 * BAR for tag in self.instruments if tag not in self.true
        }
        self.error = {"PT-101": (1.02, 0.12 * BAR), "WT-301": (0.995, 0.03)}
        """Gain and offset of instruments that are out."""
        self.contacts = {tag: 1.0 for tag in INPUTS if steps.contact(tag)}
        self.stopped = False
        self.lay()

    def lay(self) -> None:
        wire = dict(self.contacts)
        for tag, instrument in self.instruments.items():
            gain, offset = self.error.get(tag, (1.0, 0.0))
            shown = gain * self.true[tag] + offset
            if tag == "WT-301":
                self.serve.scale.weight_kg = shown
            else:
                wire[tag] = 4.0 + 16.0 * (shown - instrument.low) / (instrument.high - instrument.low)
        self.serve.module.put(wire)

    def on(self) -> set[str]:
        bits = 0 if self.stopped else self.serve.module.outputs().bits
        return {tag for n, tag in enumerate(OUTPUT_TAGS) if bits >> n & 1}

    def settled(self, *names: str) -> None:
        """Wait until these drivers have written what is commanded now and read what lies on the terminals now."""
        for name in names:
            worker = self.workers[name]
            before = worker.exchanges
            # The exchange that is under way may have begun before.
            assert until(lambda worker=worker, before=before: worker.exchanges > before + 1, every_s=0.001)  # type: ignore[misc]

    def close(self) -> None:
        self.serve.close()


class Hand(ByHand):
    """Its heartbeat comes with the pauses of the walk."""

    def _run(self) -> None:
        pass


class Builder:
    """A careful person at the rig who sees what really moves."""

    def __init__(self, world: World) -> None:
        self.world, self.said, self.energised = world, [], ""
        self.leaves_at = ""
        self.interrupts_at = ""

    def tell(self, text: str) -> None:
        self.said.append(text)
        world = self.world
        if (found := re.match(r'(\S+): ".*"\. Make that (untrue|true)', text)) is not None:
            world.contacts[found[1]] = float(found[2] == "true")
        elif found := re.match(r"(\S+) \(.*\) is energised now", text):
            self.energised = found[1]
        elif "emergency stop now" in text or text.startswith("Release"):
            world.stopped = "now" in text
            world.contacts["HS-001"] = float(not world.stopped)
        elif text.startswith("Raise the pressure"):
            world.true["PT-201"], world.contacts["PSH-201"] = 3.79e6 + units.STANDARD_ATMOSPHERE_PA, 0.0
        world.lay()

    def ask(self, question: str) -> str:
        self.said.append(question)
        if self.leaves_at and self.leaves_at in question:
            raise LeaveError
        if self.interrupts_at and self.interrupts_at in question:
            raise KeyboardInterrupt
        if "Your name" in question or "Name:" in question:
            return "A. Builder"
        if "role" in question:
            return "builder"
        if "as soon as it has opened" in question:
            return "" if self._moved() else "f"
        tag = question.split(" ", 1)[0]
        for which, share in HIGH.items():
            if f"a {which} point" in question:
                low, high = self.world.instruments[tag].low, self.world.instruments[tag].high
                self.world.true[tag] = 5.0 + 20.0 * share if tag == "WT-301" else low + share * (high - low)
                self.world.lay()
                self.world.settled(*self.world.workers)
        if "contactor drop" in question:
            tag = "PT-201"
        return self.reference(tag)

    def reference(self, tag: str) -> str:
        value = self.world.true[tag]
        if tag.startswith("PT-"):
            return f"{value / BAR:.5f} bar abs"
        return f"{value:.4f} kg" if tag == "WT-301" else f"{value} degC" if tag.startswith("TT-") else f"{value} % LFL"

    def yes(self, question: str) -> bool:
        self.said.append(question)
        if "nothing else, come on" in question:
            return self.saw_alone
        if "itself dropped" in question:
            return not self.world.on()
        if question.startswith("Has ") and "dropped" in question:
            return self.world.stopped
        if "M-101 will start" in question:
            self.energised = "M-101"
        return True

    def progress(self, text: str) -> None:
        pass

    saw_alone = False

    def _moved(self) -> bool:
        return until(self.world.on) and self.world.on() == {self.energised}


class Watching(Builder):
    """Looks at what moves while time passes, too: motors stop again before anybody is asked."""

    hand: ByHand

    def pause(self, for_s: float) -> None:
        """Time passes, with a heartbeat every 0.1 s while anything is on."""
        parts = max(1, round(for_s / 0.1)) if self.world.on() else 1
        for _ in range(parts):
            self.hand.beat()
            self.world.settled("io")
            self.world.now_s += for_s / parts
        on = self.world.on()
        if on:
            self.saw_alone = on == {self.energised}


@pytest.fixture(autouse=True)
def patience(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rigctl.commissioning.by_hand._FIRST_ANSWER_S", PATIENCE_S)


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = World(tmp_path)
    yield made
    made.close()


def walked(world: World, only: str | None = None, sheet: Sheet | None = None, person: Watching | None = None) -> Walk:
    """One walk, its outputs made safe at the end whatever happened."""
    rig = load_rig(world.path)
    wires, world.workers = wired(rig)
    hand = Hand(wires, world.workers)
    person = person or Watching(world)
    person.hand = hand
    walk = Walk(rig, sheet or Sheet(rig.name), hand, person, person.pause, lambda: world.now_s)
    try:
        assert hand.start() == []
        hand.beat()
        world.settled("io")
        walk.valid = walk.go(only)  # type: ignore[attr-defined]
    finally:
        hand.close()
    walk.person = person  # type: ignore[attr-defined]
    return walk


def result(walk: Walk, step: str) -> tuple[str, str]:
    entry = walk.sheet.entries[step]
    return entry.result, entry.text


def test_a_sound_rig_is_commissioned_and_its_sheet_holds_until_something_changes(world: World, tmp_path: Path) -> None:
    walk = walked(world)
    rig = load_rig(world.path)
    wanted = [step.name for step in steps.wanted(rig)]
    kinds = {steps.PROTECTION, steps.INPUT, steps.OUTPUT, steps.CALIBRATION}
    kinds |= {steps.DEAD_MAN, steps.STOP, steps.SWITCH, steps.LEAK}
    assert {step.kind for step in steps.wanted(rig)} == kinds
    print("reached:", ", ".join(f"{name} {entry.result}" for name, entry in walk.sheet.entries.items()))
    assert {name: entry.result for name, entry in walk.sheet.entries.items()} == dict.fromkeys(wanted, "passed")
    assert walk.valid  # type: ignore[attr-defined]
    # A relay of 1 s, whose last heartbeat came 0.1 s before it stops; looked at every 0.05 s, read back a look later.
    assert 0.85 < walk.sheet.entries["dead-man relay"].figures["drop_s"] < 1.2

    # The calibration takes the instrument's error out: true = (shown - offset) / gain.
    gain, offset = world.error["PT-101"]
    made = walk.sheet.entries["calibration PT-101"].calibration
    assert made is not None
    assert made.gain == pytest.approx(1.0 / gain, rel=2e-3) and made.zero == pytest.approx(-offset / gain, abs=500.0)
    world.true["PT-101"] = 7.0 * BAR
    world.lay()
    wires, workers = wired(rig)
    hand = ByHand(wires, workers)
    assert hand.start() == []
    assert hand.reading("PT-101").value == pytest.approx(7.0 * BAR, abs=2e3)
    hand.close()

    # The sheet on disk is the sheet, and it is valid only for this wiring, this rig and this year.
    kept = sheets.load(sheets.path_of(rig))
    assert kept == walk.sheet and sheets.why_not_valid(kept, rig, TODAY) == []
    assert sheets.soon_due(kept, rig, TODAY) == []
    assert len(sheets.soon_due(kept, rig, TODAY + dt.timedelta(days=340))) == 6
    overdue = sheets.why_not_valid(kept, rig, TODAY + dt.timedelta(days=366))
    assert len(overdue) == 6 and "calibration of PT-101 was due" in overdue[0]
    text = world.path.read_text()
    at = text.index('[hardware.points."XV-101"]')
    changed = text[:at] + text[at:].replace("register = 0\n", "register = 1\n", 1)
    other = tmp_path / "other.toml"
    other.write_text(changed)
    wrong = sheets.why_not_valid(kept, load_rig(other), TODAY)
    assert any('"output XV-101" was done on other wiring' in sentence for sentence in wrong)
    assert not any("input" in sentence or "XV-103" in sentence for sentence in wrong), "only what depends on it falls"

    shown = page.render(kept, rig, TODAY)
    html.parser.HTMLParser().feed(shown)
    assert "A. Builder, builder" in shown and '<div class="badge good">valid' in shown and "0.98" in shown
    chromium = shutil.which("chromium")
    if chromium is not None:
        (tmp_path / "sheet.html").write_text(shown)
        done = subprocess.run(
            [chromium, "--headless", "--no-sandbox", "--disable-gpu", f"--print-to-pdf={tmp_path}/sheet.pdf",
             f"file://{tmp_path}/sheet.html"], capture_output=True, timeout=PROGRAM_S, check=False,
        )  # fmt: skip
        assert done.returncode == 0 and (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")


def test_a_walk_that_was_left_goes_on_where_it_was(world: World) -> None:
    person = Watching(world)
    person.leaves_at = "PT-201 (discharge pressure) reads"
    with pytest.raises(LeaveError):
        walked(world, person=person)
    rig = load_rig(world.path)
    kept = sheets.load(sheets.path_of(rig))
    assert kept is not None and list(kept.entries) == ["protection", "input PT-101", "input PT-102"]
    again = Watching(world)
    again.leaves_at = "PT-301 (cylinder pressure) reads"
    with pytest.raises(LeaveError):
        walked(world, sheet=kept, person=again)
    assert list(kept.entries)[-1] == "input PT-201" and "[1 of" in " ".join(again.said)
    assert not any("PT-101" in line for line in again.said), "what has passed is not asked again"


def test_interrupted_with_an_output_on_everything_is_off_afterwards(world: World) -> None:
    person = Watching(world)
    person.interrupts_at = "as soon as it has opened"
    with pytest.raises(KeyboardInterrupt):
        walked(world, "output XV-101", person=person)
    assert until(lambda: world.serve.module.coils() & ~(1 << 15) == 0)


def test_two_outputs_that_are_crossed_are_found(world: World) -> None:
    text = world.path.read_text()
    one, two = (f"register = {OUTPUT_TAGS.index(tag)}\n" for tag in ("XV-101", "XV-102"))
    first, second = (text.index(f'[hardware.points."{tag}"]') for tag in ("XV-101", "XV-102"))
    part = text[first:second].replace(one, two) + text[second:].replace(two, one, 1)
    world.path.write_text(text[:first] + part)
    found = result(walked(world, "output XV-101"), "output XV-101")
    assert found == ("failed", "XV-101 was energised, and the liquid inlet valve did not move, or another thing did.")


def test_an_output_that_does_not_come_is_found(world: World) -> None:
    bit = 1 << OUTPUT_TAGS.index("XV-204")
    world.serve.module.contactors(bit, 0)
    assert result(walked(world, "output XV-204"), "output XV-204") == (
        "failed", "XV-204 was energised, and it reads back off.",
    )  # fmt: skip


def test_an_output_that_sticks_is_found(world: World) -> None:
    bit = 1 << OUTPUT_TAGS.index("M-201")
    world.serve.module.contactors(0, bit)
    state, text = result(walked(world, "output M-201"), "output M-201")
    assert state == "failed" and ("reads back on" in text or "did not move" in text)
    state, text = result(walked(world, "output XV-101"), "output XV-101")
    assert (state, text) == ("failed", "With XV-101 alone energised M-201 reads back on as well.")


def test_a_dead_man_relay_that_does_not_drop_is_found(tmp_path: Path) -> None:
    world = World(tmp_path, dead_man_s=60.0)
    try:
        state, text = result(walked(world, "dead-man relay"), "dead-man relay")
    finally:
        world.close()
    assert state == "failed" and "still on 3 s after the heartbeat stopped" in text


def test_a_span_that_is_wrong_in_the_file_is_found(world: World) -> None:
    text = world.path.read_text()
    at = text.index('[hardware.points."PT-201"]')
    changed = re.sub(r'"[\d.]+ bar abs"\]', '"25 bar abs"]', text[at:], count=1)
    world.path.write_text(text[:at] + changed)
    world.true["PT-201"] = 12.0 * BAR
    world.lay()
    state, text = result(walked(world, "input PT-201"), "input PT-201")
    assert state == "failed" and "look for a wrong span" in text
    state, text = result(walked(world, "calibration PT-201"), "calibration PT-201")
    assert state == "failed" and "The gain is outside 0.9 to 1.1" in text
    assert "gain" not in tomllib.loads(world.path.read_text())["hardware"]["points"]["PT-201"], "not written"


def test_an_instrument_that_is_not_straight_is_found(world: World) -> None:
    class Bent(Watching):
        def reference(self, tag: str) -> str:
            bent = self.world.true[tag] if "a check" not in self.said[-1] else self.world.true[tag] + 0.6 * BAR
            return f"{bent / BAR:.5f} bar abs"

    state, text = result(walked(world, "calibration PT-301", person=Bent(world)), "calibration PT-301")
    assert state == "failed" and "not straight" in text


def test_a_contact_that_never_changes_is_found(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rigctl.commissioning.walk._SEEN_WITHIN_S", 1.0)

    class Stuck(Watching):
        def tell(self, text: str) -> None:
            super().tell(text)
            self.world.contacts["FS-001"] = 1.0
            self.world.lay()

    monkeypatch.setattr(Walk._reads_within, "__defaults__", (1.0,))
    state, text = result(walked(world, "input FS-001", person=Stuck(world)), "input FS-001")
    assert (state, text) == ("failed", 'FS-001 never read 0, as it must when "water flow proved" is untrue.')


def test_a_leak_is_found(world: World) -> None:
    class Leaking(Watching):
        def progress(self, text: str) -> None:
            if "to go" in text:
                self.world.true["PT-101"] -= 200.0
                self.world.lay()

    world.true["PT-101"] = 10.0 * BAR
    world.lay()
    state, text = result(walked(world, "leak-down", person=Leaking(world)), "leak-down")
    assert state == "failed" and "PT-101 from" in text and "allowed 0.1 bar" in text


def test_a_pressure_switch_that_opens_too_late_is_found(world: World) -> None:
    class Late(Watching):
        def tell(self, text: str) -> None:
            super().tell(text)
            if text.startswith("Raise"):
                self.world.true["PT-201"] *= 1.06
                self.world.lay()

    state, text = result(walked(world, "pressure switch", person=Late(world)), "pressure switch")
    assert state == "failed" and "6% off its set pressure" in text


def test_a_compressor_without_a_way_out_is_stopped_at_once(world: World) -> None:
    class DeadHead(Watching):
        def pause(self, for_s: float) -> None:
            super().pause(for_s)
            if "M-101" in self.world.on():
                self.world.true["PT-201"] += 2.0 * BAR
                self.world.lay()

    state, text = result(walked(world, "output M-101", person=DeadHead(world)), "output M-101")
    assert state == "failed" and "its way out is shut" in text
    assert world.true["PT-201"] < 30.0 * BAR, "it did not run on for 2 s"


@pytest.mark.parametrize(("tag", "step"), [("HS-001", "emergency stop"), ("PSH-201", "pressure switch")])
def test_a_contact_that_is_open_beforehand_proves_nothing(world: World, tag: str, step: str) -> None:
    world.contacts[tag] = 0.0
    world.lay()
    state, text = result(walked(world, step), step)
    assert state == "failed" and text.startswith(f"{tag} reads 0")


def test_points_too_near_each_other_are_asked_for_again(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    shares = {"low": [0.1], "high": [0.2, 0.8], "check": [0.79, 0.4]}

    class Near(Watching):
        def ask(self, question: str) -> str:
            for which, left in shares.items():
                if f"a {which} point" in question:
                    monkeypatch.setitem(HIGH, which, left.pop(0))
            return super().ask(question)

    walk = walked(world, "calibration PT-101", person=Near(world))
    assert result(walk, "calibration PT-101")[0] == "passed"
    said = " ".join(walk.person.said)  # type: ignore[attr-defined]
    assert "Too near the low point" in said and "Too near another point" in said
    assert shares == {"low": [], "high": [], "check": []}


def test_a_step_can_be_left_for_later(world: World) -> None:
    class Later(Watching):
        def yes(self, question: str) -> bool:
            raise SkipError

    walk = walked(world, "protection", person=Later(world))
    assert walk.sheet.entries == {} and not walk.valid  # type: ignore[attr-defined]


# ---- without a rig -----------------------------------------------------------------------------------------


@given(st.floats(0.9, 1.1), st.floats(-1e5, 1e5), st.floats(0.0, 2e5), st.floats(1e6, 6e6))
def test_two_points_make_the_line_that_numpy_fits(gain: float, zero: float, low: float, high: float) -> None:
    """numpy.polyfit is the outside reference."""
    pairs = [(gain * reading + zero, reading) for reading in (low, high)]
    line = steps.two_points(*pairs)
    slope, intercept = np.polyfit([x for _, x in pairs], [r for r, _ in pairs], 1)
    assert line.gain == pytest.approx(slope, rel=1e-9) and line.zero == pytest.approx(intercept, abs=1e-3)


def test_temperature_is_taken_out_of_a_leak_down() -> None:
    """Nitrogen at 10 bar abs that cools from 20 to 15 degC falls to 9.829 bar (ideal gas: 10 x 288.15/293.15)."""
    assert steps.corrected_change_pa(1e6, 982_944.0, 20.0, 15.0) == pytest.approx(0.0, abs=1.0)
    assert steps.corrected_change_pa(1e6, 972_944.0, 20.0, 15.0) == pytest.approx(-1e4, abs=1.0)


@pytest.mark.parametrize("tail", ["", "\n[mqtt]\nhost = 'x'\n"])
@pytest.mark.parametrize("old", ["", "gain = 1.5   # old\nzero = 3.0\n"])
def test_a_calibration_goes_into_the_text_and_nothing_else_changes(tail: str, old: str) -> None:
    text = (
        f'# mine\n[hardware.points."PT-101"]   # here\ndriver = "io"\n{old}\n# about the next\n[other]\na = 1\n{tail}'
    )
    made = rig_text.with_calibration(text, "PT-101", 1.01, -250.0)
    assert made is not None
    before, after = tomllib.loads(text), tomllib.loads(made)
    assert after["hardware"]["points"]["PT-101"] == {"driver": "io", "gain": 1.01, "zero": -250.0}
    assert {k: v for k, v in after.items() if k != "hardware"} == {k: v for k, v in before.items() if k != "hardware"}
    assert all(comment in made for comment in ("# mine", "# here", "# about the next"))
    assert made.index("zero") < made.index("# about the next")


def test_a_point_without_a_table_of_its_own_is_told_so(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text('[hardware]\npoints = { "PT-101" = { driver = "io" } }\n')
    with pytest.raises(rig_text.RigTextError, match="by hand"):
        rig_text.write_calibration(path, "PT-101", 1.0, 0.0)
    assert "gain" not in path.read_text()


def real_rig(tmp_path: Path) -> RigConfig:
    path = tmp_path / "mine.toml"
    path.write_text((CONFIGS / "rigs/shop-modbus.toml").read_text())
    return load_rig(path)


def passed(rig: RigConfig, days_ago: int = 0) -> Sheet:
    """A sheet as a walk would leave it, for what depends on dates and files alone."""
    utc = (dt.datetime.now(dt.UTC) - dt.timedelta(days=days_ago)).isoformat(timespec="milliseconds")
    entries = {
        step.name: sheets.Entry("passed", "Good.", "A. Builder", utc, sheets.fingerprint(rig, step))
        for step in steps.wanted(rig)
    }
    return Sheet(rig.name, entries=entries, signature=sheets.Signature("A. Builder", "builder", utc[:10], utc))


def test_a_real_rig_does_not_run_without_a_valid_sheet(tmp_path: Path) -> None:
    rig, job = real_rig(tmp_path), load_job(CONFIGS / "jobs/split-ac.toml")
    said: list[str] = []
    with pytest.raises(ConfigError, match="has not been commissioned"):
        Run(rig, job, tmp_path / "out", said.append)
    assert not (tmp_path / "out").exists(), "nothing is left behind"
    sheet = passed(rig, days_ago=340)
    sheets.save(sheet, sheets.path_of(rig))
    run = Run(rig, job, tmp_path / "out", said.append)
    assert run._settings.commissioned == sheet.signature.date  # type: ignore[union-attr]
    assert len([line for line in said if "is due on" in line]) == 4, "it says so a month before"
    run._door.close()
    run._journal.close()
    for spoil, sentence in (
        (lambda s: s.entries.pop("dead-man relay"), "has not been done"),
        (lambda s: setattr(s, "signature", None), "is not signed"),
        (lambda s: setattr(s, "rig", "Another"), "of the rig"),
        (
            lambda s: s.entries.update(x=sheets.Entry("passed", "", "", "9999")),
            "after the commissioning sheet was signed",
        ),
    ):
        spoilt = msgspec.json.decode(msgspec.json.encode(sheet), type=Sheet)
        spoil(spoilt)
        sheets.save(spoilt, sheets.path_of(rig))
        with pytest.raises(ConfigError, match=sentence):
            Run(rig, job, tmp_path / "out2", said.append)
    sheets.save(passed(rig, days_ago=366), sheets.path_of(rig))
    with pytest.raises(ConfigError, match="calibration of PT-101 was due"):
        Run(rig, job, tmp_path / "out2", said.append)
    sheets.path_of(rig).write_text("{")
    with pytest.raises(ConfigError, match="no commissioning sheet"):
        Run(rig, job, tmp_path / "out2", said.append)


def test_a_calibration_changed_by_hand_voids_just_that(tmp_path: Path) -> None:
    rig = real_rig(tmp_path)
    sheet = passed(rig)
    text = Path(rig.path).read_text()
    Path(rig.path).write_text(rig_text.with_calibration(text, "PT-201", 1.02, 0.0) or "")
    wrong = sheets.why_not_valid(sheet, load_rig(rig.path), TODAY)
    assert len(wrong) == 1 and '"calibration PT-201" was done on other wiring or settings' in wrong[0]


def command(*arguments: str, cwd: Path, said: str = "") -> subprocess.CompletedProcess[str]:
    environment = dict(os.environ, PYTHONPATH=str(CONFIGS.parent), COLUMNS="200")
    return subprocess.run(
        [sys.executable, "-m", "rigctl", *arguments], input=said, capture_output=True, text=True, cwd=cwd,
        env=environment, timeout=PROGRAM_S, check=False,
    )  # fmt: skip


def test_the_command_walks_shows_and_prints(world: World, tmp_path: Path) -> None:
    done = command("commission", "rig.toml", "--only", "protection", cwd=tmp_path, said="A. Builder\ny\ny\ny\ny\ny\n")
    assert done.returncode == 1, done.stderr
    assert "Passed: All that protects" in done.stdout and "The sheet is not valid yet." in done.stdout
    shown = command("commission", "rig.toml", "--show", cwd=tmp_path)
    assert shown.returncode == 1 and re.search(r"protection +passed", shown.stdout) and "not been done" in shown.stdout
    printed = command("commission", "rig.toml", "--html", "sheet.html", cwd=tmp_path)
    assert printed.returncode == 1 and "not valid" in (tmp_path / "sheet.html").read_text()
    again = command("commission", "rig.toml", "--html", "sheet.html", cwd=tmp_path)
    assert again.returncode == 2 and "is there already" in again.stderr
    left = command("commission", "rig.toml", cwd=tmp_path, said="A. Builder\nq\n")
    assert left.returncode == 1 and "what has been done is kept" in left.stdout
    wrong = command("commission", "rig.toml", "--only", "nonsense", cwd=tmp_path)
    assert wrong.returncode == 2 and wrong.stderr.startswith("rigctl: --only:") and wrong.stderr.count("\n") == 1
    as_json = command("commission", "rig.toml", "--show", "--json", cwd=tmp_path)
    assert as_json.returncode == 1 and '"valid": false' in as_json.stdout


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_even_twice_makes_the_outputs_safe_first(tmp_path: Path, number: int) -> None:
    world = World(tmp_path, dead_man_s=60.0)  # so that it is not the relay that drops them
    environment = dict(os.environ, PYTHONPATH=str(CONFIGS.parent))
    program = subprocess.Popen(
        [sys.executable, "-m", "rigctl", "commission", "rig.toml", "--only", "output XV-101"], stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=tmp_path, env=environment,
    )  # fmt: skip
    try:
        assert program.stdin is not None
        program.stdin.write("A. Builder\n")
        program.stdin.flush()
        assert until(lambda: program.poll() is not None or world.on())
        assert world.on() == {"XV-101"}
        program.send_signal(number)
        program.send_signal(number)
        out, err = program.communicate(timeout=PATIENCE_S)
    finally:
        program.kill()
        program.communicate()
        coils = world.serve.module.coils()
        world.close()
    assert coils & ~(1 << 15) == 0 and program.returncode == 130, (out, err)
    assert out.endswith("Every output was commanded off.\n") and "Traceback" not in err
