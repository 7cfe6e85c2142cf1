"""The point list: `rigctl points`, and what stands in it."""

import csv
import io
import json
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from rigctl import config
from rigctl.control.protect.table import table
from rigctl.hardware import point_list, wiring
from tests.waiting import PROGRAM_S

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
ANALOGUE = {
    "PT-101": ["-1 bar g", "9 bar g"], "PT-102": ["-1 bar g", "9 bar g"], "PT-201": ["-14.5 psig", "580 psig"],
    "PT-301": ["0 bar g", "40 bar g"], "PT-001": ["0 bar g", "40 bar g"],
    "AT-001": ["0 % LFL", "100 % LFL"],
}  # fmt: skip
THERMOMETERS = ("TT-101", "TT-201", "TT-301", "TT-001")
GAUGE_PA = 101_325.0
PLAIN = sorted(path.stem for path in CONFIGS.glob("rigs/*.toml") if "[hardware" not in path.read_text())
"""The supplied rigs that are not wired."""


def hardware(rig):
    """A [hardware] table for all of a rig, by the drivers of the board: shunts of 10 ohm on the loops."""
    lines = [
        "[hardware.drivers.io]", 'kind = "gpio"', 'chip = "/dev/gpiochip0"',
        "[hardware.drivers.adc]", 'kind = "iio"', "[hardware.drivers.bus]", 'kind = "one-wire"', 'stale = "5 s"',
    ]  # fmt: skip
    for number, tag in enumerate(wiring.wanted(rig.fitted)):
        lines.append(f'[hardware.points."{tag}"]')
        if tag in ANALOGUE:
            low, high = ANALOGUE[tag]
            lines += ['driver = "adc"', 'device = "ads|1115"', f'channel = "in_voltage{number}"', "scale = 0.1"]
            lines += ['signal = "4-20 mA"', f'span = ["{low}", "{high}"]']
        elif tag in THERMOMETERS:
            lines += ['driver = "bus"', f'id = "28-{number:012x}"', 'unit = "degC"']
        elif tag == "WT-301":
            lines += ['driver = "adc"', 'device = "scale"', 'channel = "in_weight"', 'unit = "kg"', "scale = 0.001"]
        elif tag == "CV-103":
            lines += ['driver = "adc"', 'device = "dac"', 'channel = "out_voltage0"', 'signal = "4-20 mA"']
            lines += ["scale = 0.005", "inverted = true"]
        else:
            lines += ['driver = "io"', f"line = {number}"]
            if tag == "M-101":
                lines.append("active_low = true")
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The supplied rigs with everything wired."""
    made = tmp_path_factory.mktemp("rigs")
    for path in (CONFIGS / f"rigs/{name}.toml" for name in PLAIN):
        plain = tomllib.loads(path.read_text(encoding="utf-8"))
        assert "hardware" not in plain
        text = path.read_text(encoding="utf-8") + "\n" + hardware(config.load_rig(path))
        (made / path.name).write_text(text, encoding="utf-8")
    text = (made / "full.toml").read_text(encoding="utf-8").replace('units = "metric"', 'units = "us"')
    (made / "full-us.toml").write_text(text, encoding="utf-8")
    return made


def rigctl(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "rigctl", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=PROGRAM_S,
        check=False,
    )


def listed(path):
    return {row["tag"]: row for row in point_list.rows_of(config.load_rig(path))}


@pytest.mark.parametrize("name", PLAIN)
def test_every_point_of_a_rig_is_listed_once_and_wired(folder, name):
    rig = config.load_rig(folder / f"{name}.toml")
    rows = point_list.rows_of(rig)
    assert [row["tag"] for row in rows] == wiring.wanted(rig.fitted)
    assert all(tuple(row) == point_list.HEADS for row in rows)
    assert all(row["driver"] and row["address"] and row["range"] for row in rows)
    assert all(bool(row["safe state"]) is wiring.is_output(row["tag"]) for row in rows)


def test_what_is_listed_is_what_the_file_says(folder):
    rows = listed(folder / "full.toml")
    assert rows["PT-201"]["driver"] == "adc: iio"
    assert rows["XV-101"]["driver"] == "io: gpio, chip = /dev/gpiochip0"
    assert rows["M-101"]["address"].endswith(", active_low = true")
    assert rows["PT-101"]["range"] == "-1 to 9 bar g"
    assert rows["PT-201"]["range"] == "-0.99974 to 39.9896 bar g"  # 580 psi are 39.9896 bar, -14.5 psi -0.99974 bar
    assert rows["TT-201"]["range"] == "0 is 0, 1000 is 1000 °C"
    assert rows["WT-301"]["range"] == "0 is 0, 1000 is 1 kg"
    assert rows["FS-001"]["range"] == "1 is water flow proved"
    assert (rows["XV-101"]["range"], rows["XV-101"]["safe state"]) == ("0 is shut, 1 is open", "shut")
    assert (rows["M-101"]["range"], rows["M-101"]["safe state"]) == ("0 is off, 1 is on", "off")


def test_an_inverted_output_says_so_and_what_is_written_for_safe(folder):
    row = listed(folder / "full.toml")["CV-103"]
    # 5 microampere a count: 20 mA are 4000 counts and hold it shut, 4 mA are 800.
    assert row["range"] == "4000 is shut, 800 is open"
    assert row["safe state"] == "shut; INVERTED: 4000 is written for it, and 800 is open"


def test_an_inverted_contact_and_a_calibration_are_listed(folder, tmp_path):
    text = (folder / "full.toml").read_text(encoding="utf-8")
    text = text.replace('[hardware.points."FS-001"]\n', '[hardware.points."FS-001"]\ninverted = true\n')
    text = text.replace('[hardware.points."PT-101"]\n', '[hardware.points."PT-101"]\ngain = 1.002\nzero = -150\n')
    (tmp_path / "rig.toml").write_text(text, encoding="utf-8")
    rows = listed(tmp_path / "rig.toml")
    assert rows["FS-001"]["range"] == "0 is water flow proved, inverted"
    assert rows["PT-101"]["range"] == "-1 to 9 bar g, then calibrated: x 1.002 -150 (SI)"


def test_limits_are_those_of_the_rig_in_its_own_units(folder):
    # configs/rigs/full.toml: 36 bar g, 120 degC, 52 and 45 degC, 0.5 kg, 20 % LFL, readback 0.5 s.
    rows = listed(folder / "full.toml")
    for tag, words in {
        "PT-201": "trip at 36.00 bar g; hold at 40 times PT-101", "TT-201": "trip at 120.0 °C",
        "TT-301": "trip at 52.0 °C; advice at 45.0 °C",
        "PT-301": "trip at 100% of the cylinder's service pressure; hold at 90%",
        "AT-001": "trip at 20 % LFL", "XV-301": "trip if it does not follow within 0.5 s",
    }.items():  # fmt: skip
        assert rows[tag]["limits"] == words
    assert "hold at the fill limit less 0.500 kg" in rows["WT-301"]["limits"]
    us = listed(folder / "full-us.toml")
    assert us["PT-201"]["limits"].startswith("trip at 522.1 psig")  # 36 bar are 522.1 psi
    assert us["TT-201"]["limits"] == "trip at 248.0 °F"
    assert us["PT-201"]["range"] == "-14.5 to 580 psig"


@pytest.mark.parametrize("name", PLAIN)
def test_a_point_says_trip_just_where_the_cause_and_effect_table_has_one(folder, name):
    rows = listed(folder / f"{name}.toml")
    trips = {row["tag"].split(".")[0] for row in table() if row["effect"] == "trip"}
    trips = (trips - {"M-101", "OUTPUTS", "SCAN"}) | {"YS-101"}  # M-101.fault is the contact YS-101
    for tag, row in rows.items():
        if tag in wiring.INPUTS:
            assert ("trip" in row["limits"]) is (tag in trips), tag


def test_without_a_cylinder_transmitter_the_discharge_keeps_the_cylinder(folder):
    rows = listed(folder / "basic.toml")
    assert "PT-301" not in rows
    assert "of the cylinder's service pressure" in rows["PT-201"]["limits"]


def test_a_scale_that_is_not_wired_is_listed_as_such(folder, tmp_path):
    text = (folder / "full.toml").read_text(encoding="utf-8")
    start = text.index('[hardware.points."WT-301"]')
    (tmp_path / "rig.toml").write_text(
        text[:start] + text[text.index("[hardware.points", start + 5) :], encoding="utf-8"
    )
    assert listed(tmp_path / "rig.toml")["WT-301"]["driver"] == "not wired"


def test_the_command_writes_all_its_formats_with_the_same_content(folder):
    path = folder / "full.toml"
    rows = list(listed(path).values())
    found = {name: rigctl("points", path, "--format", name) for name in point_list.FORMATS}
    assert all(done.returncode == 0 and done.stderr == "" for done in found.values())
    assert list(csv.DictReader(io.StringIO(found["csv"].stdout))) == rows
    lines = found["markdown"].stdout.splitlines()
    assert len(lines) == len(rows) + 2
    assert {line.replace("\\|", "").count("|") for line in lines} == {len(point_list.HEADS) + 1}
    assert "ads\\|1115" in found["markdown"].stdout
    plain = found["table"].stdout
    assert plain.startswith("Points of Bench rig")
    assert len(plain.split("\n\n")[0].splitlines()) == len(rows) + 2
    for row in rows:
        assert all(cell in plain for head, cell in row.items() if head != "driver")
        assert all(part in plain for part in row["driver"].split(": ", 1)), "its name in the row, the rest below"
    answered = json.loads(rigctl("points", path, "--json").stdout)
    assert [list(row.values()) for row in answered] == [list(row.values()) for row in rows]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("line = ", "lien = "), 'hardware.drivers.io: points."FS-001".lien: unknown key'),
        (('driver = "bus"', 'driver = "buss"'), "'buss' is none of the drivers"),
    ],
)
def test_a_wrong_wiring_is_refused_with_its_sentences(folder, tmp_path, change, words):
    path = tmp_path / "rig.toml"
    path.write_text((folder / "full.toml").read_text(encoding="utf-8").replace(*change), encoding="utf-8")
    done = rigctl("points", path)
    assert "Traceback" not in done.stderr
    assert (done.returncode, done.stdout) == (2, "")
    assert words in done.stderr


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((CONFIGS / "rigs" / "full.toml",), "has no [hardware] table; add"),
        ((CONFIGS / "rigs" / "full.toml", "--format", "xml"), '"xml" is none; write table, csv, markdown'),
        ((CONFIGS / "jobs" / "split-ac.toml",), "this is a job's file"),
    ],
)
def test_what_cannot_be_listed_is_one_sentence(arguments, words):
    done = rigctl("points", *arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert len(done.stderr.strip().splitlines()) == 1
    assert words in done.stderr
