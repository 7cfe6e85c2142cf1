"""Rig and job files: the supplied ones are sound, and everything wrong with one gets its own sentence."""

from __future__ import annotations

import datetime as dt
import json
import math
import re
import tomllib
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from rigctl import config, units
from rigctl.control import settings
from rigctl.refrigerant import cylinder

CONFIGS = Path(__file__).parent.parent / "configs"
RIGS = sorted(CONFIGS.glob("rigs/*.toml"))
JOBS = sorted(CONFIGS.glob("jobs/*.toml"))
FULL = (CONFIGS / "rigs/full.toml").read_text("utf-8")
CHILLER = (CONFIGS / "jobs/chiller.toml").read_text("utf-8")
SPLIT = (CONFIGS / "jobs/split-ac.toml").read_text("utf-8")

STRUCTS: dict[str, type[msgspec.Struct]] = {
    "fitted": settings.Fitted,
    "protection": settings.Protection,
    "compressor": settings.Compressor,
    "limits": settings.Limits,
    "instruments": settings.Instruments,
    "procedure": settings.Procedure,
}
FIELDS = [
    (table, config.key_of(struct, field.name), struct, field)
    for table, struct in STRUCTS.items()
    for field in msgspec.structs.fields(struct)
]
FULL_KEYS = [(table, key) for table, keys in tomllib.loads(FULL).items() for key in keys]


def named(path: Path) -> str:
    return path.stem


def change(text: str, table: str, key: str, line: str) -> str:
    """The file with one line of a table replaced; "" removes it."""
    head, found, rest = text.partition(f"[{table}]\n")
    assert found, table
    changed, times = re.subn(rf"(?m)^{key} = .*$", lambda _: line, rest, count=1)
    assert times == 1, key
    return head + found + changed


def rig(folder: Path, text: str) -> Path:
    path = folder / "rig.toml"
    path.write_text(text, "utf-8")
    return path


def job(folder: Path, text: str) -> Path:
    path = folder / "job.toml"
    path.write_text(text, "utf-8")
    return path


def refusal(load: Any, path: Path) -> list[str]:
    """What is wrong with a file, without its name."""
    with pytest.raises(config.ConfigError) as refused:
        load(path)
    problems = refused.value.problems
    assert str(refused.value) == "\n".join(problems)
    assert all(problem.startswith(f"{path}: ") for problem in problems)
    return [problem.removeprefix(f"{path}: ") for problem in problems]


# ---- the supplied files


@pytest.mark.parametrize("path", RIGS, ids=named)
def test_every_supplied_rig_loads(path: Path) -> None:
    assert config.load_rig(path).name


@pytest.mark.parametrize("path", JOBS, ids=named)
def test_every_supplied_job_loads(path: Path) -> None:
    assert config.load_job(path).job.name


@pytest.mark.parametrize("job_path", JOBS, ids=named)
@pytest.mark.parametrize("rig_path", RIGS, ids=named)
def test_every_pair_can_be_run_unless_water_stands_and_nothing_proves_its_flow(rig_path: Path, job_path: Path) -> None:
    a_rig, a_job = config.load_rig(rig_path), config.load_job(job_path)
    if a_job.job.water_side and not a_rig.fitted.fs_001:
        with pytest.raises(config.ConfigError, match="FS-001"):
            config.settings_for(a_rig, a_job)
    else:
        joined = config.settings_for(a_rig, a_job)
        assert (joined.rig, joined.job, joined.cylinder) == (a_rig.name, a_job.job, a_job.cylinder)
        assert settings.unsafe(joined) == ()


def test_a_job_without_a_scale_is_written_in_its_file_and_needs_pt_102(tmp_path: Path) -> None:
    text = (CONFIGS / "jobs/split-ac.toml").read_text()
    assert config.load_job(CONFIGS / "jobs/split-ac.toml").job.scale_usable
    path = tmp_path / "bucket.toml"
    path.write_text(text.replace("scale_usable = true", "scale_usable = false"))
    a_job = config.load_job(path)
    assert not a_job.job.scale_usable
    with pytest.raises(config.ConfigError, match="PT-102"):
        config.settings_for(config.load_rig(CONFIGS / "rigs/basic.toml"), a_job)
    path.write_text(text.replace("scale_usable = true", "scale_usable = 3"))
    with pytest.raises(config.ConfigError, match=r"job\.scale_usable"):
        config.load_job(path)


def test_the_figures_of_a_rig_arrive_in_si() -> None:
    loaded = config.load_rig(CONFIGS / "rigs/full.toml")
    # By hand: gauge + 101 325 Pa; 20 cm3 x 25 rev/s; 2 %.
    assert loaded.limits.discharge_high_pa_abs == pytest.approx(3_701_325.0)
    assert loaded.limits.discharge_high_degc == 120.0
    assert loaded.compressor.displacement_m3_s == pytest.approx(5.0e-4)
    assert loaded.compressor.clearance == pytest.approx(0.02)
    assert loaded.procedure.liquid_limit_s == 10_800.0
    assert loaded.scan_period_s == pytest.approx(0.1)


@pytest.mark.parametrize("path", RIGS, ids=named)
def test_the_software_trips_before_the_hardware_switch(path: Path) -> None:
    # Common cut-out of recovery rigs, 550 psig (common practice, no source); 6894.757 Pa/psi: NIST SP 811.
    assert config.load_rig(path).limits.discharge_high_pa_abs < 550 * 6894.757 + 101_325


@pytest.mark.parametrize(
    ("name", "level_pa_abs"),
    [
        # 40 CFR 82.156 Table 1, newer equipment, vacuum below 29.9 inHg; 3386.389 Pa/inHg: NIST SP 811.
        ("split-ac", (29.9 - 0) * 3386.389),  # high pressure, under 200 lb: 0
        ("chiller", (29.9 - 10) * 3386.389),  # medium pressure, under 200 lb: 10 inHg
        ("refrigerator", (29.9 - 4) * 3386.389),  # small appliance: 4 inHg
    ],
)
def test_the_level_of_a_job_is_that_of_the_regulation(name: str, level_pa_abs: float) -> None:
    loaded = config.load_job(CONFIGS / f"jobs/{name}.toml")
    assert loaded.job.level_pa_abs == pytest.approx(level_pa_abs)
    assert loaded.job.level_text == loaded.level.text
    assert "82.156" in loaded.job.level_source


def test_the_chiller_has_cylinders_enough_for_its_charge_and_needs_three() -> None:
    loaded = config.load_job(CONFIGS / "jobs/chiller.toml")
    # 80 % of the water capacity times the specific gravity at 25 degC (AHRI Guideline K as a trade article
    # gives it); R-134a 1206.7 kg/m3 at 25 degC against water 997 kg/m3.
    each = [0.8 * one.water_capacity_kg * 1.2067 / 0.997 for one in (loaded.cylinder, *loaded.spare_cylinders)]
    assert loaded.job.charge_kg is not None
    assert sum(each[:2]) < loaded.job.charge_kg < sum(each[:3]) - 3 * 0.5


@pytest.mark.parametrize("path", JOBS, ids=named)
def test_every_supplied_cylinder_may_hold_its_refrigerant_on_the_day(path: Path) -> None:
    loaded = config.load_job(path)
    for one in (loaded.cylinder, *loaded.spare_cylinders):
        assert one.refrigerant in ("", loaded.job.refrigerant)
        assert cylinder.retest_check(one.retest_due, loaded.job.date).ok


def test_a_job_without_a_date_is_of_today(tmp_path: Path) -> None:
    before = dt.datetime.now().astimezone().date().isoformat()
    loaded = config.load_job(job(tmp_path, change(SPLIT, "job", "date", "")))
    assert before <= loaded.job.date <= dt.datetime.now().astimezone().date().isoformat()


# ---- what is missing or unknown


@pytest.mark.parametrize(
    ("table", "key"),
    [
        (table, key)
        for table, key, _, field in FIELDS
        if table in ("limits", "protection", "procedure", "instruments") and field.required
    ],
)
def test_no_limit_protection_or_time_limit_may_be_left_out(table: str, key: str, tmp_path: Path) -> None:
    [problem] = refusal(config.load_rig, rig(tmp_path, change(FULL, table, key, "")))
    assert problem.startswith(f"{table}.{key}: missing; add {key} = ")


def test_no_safety_limit_has_a_default() -> None:
    for struct in (settings.Limits, settings.Protection):
        assert all(field.required for field in msgspec.structs.fields(struct))


@pytest.mark.parametrize("table", ["rig", *STRUCTS])
def test_a_missing_table_is_named(table: str, tmp_path: Path) -> None:
    text = re.sub(rf"(?ms)^\[{table}\]\n.*?(?=^\[|\Z)", "", FULL)
    assert refusal(config.load_rig, rig(tmp_path, text)) == [
        f"{table}: the table is missing; add a line [{table}] and its keys."
    ]


@pytest.mark.parametrize("key", [field.name for field in msgspec.structs.fields(settings.Protection)])
def test_a_rig_without_a_protection_is_refused(key: str, tmp_path: Path) -> None:
    without = config.load_rig(rig(tmp_path, change(FULL, "protection", key, f"{key} = false")))
    with pytest.raises(config.ConfigError) as refused:
        config.settings_for(without, config.load_job(CONFIGS / "jobs/split-ac.toml"))
    [problem] = refused.value.problems
    assert f"protection.{key} must be true" in problem
    assert problem.startswith(f"{without.path} with ")


@pytest.mark.parametrize(("table", "key"), FULL_KEYS)
def test_a_misspelled_key_is_named_with_the_right_one(table: str, key: str, tmp_path: Path) -> None:
    line = next(line for line in FULL.partition(f"[{table}]\n")[2].splitlines() if line.startswith(f"{key} ="))
    wrong = key + "x"
    problems = refusal(config.load_rig, rig(tmp_path, change(FULL, table, key, line.replace(key, wrong, 1))))
    assert f'{table}.{wrong}: unknown key; did you mean "{key}"?' in problems


def test_a_key_that_was_withdrawn_is_told_as_such(tmp_path: Path) -> None:
    text = FULL.replace("[compressor]\n", "[compressor]\nstarts_against_pressure = false\n")
    [problem] = refusal(config.load_rig, rig(tmp_path, text))
    assert problem.startswith("compressor.starts_against_pressure: it never did anything and is gone; remove the line.")


@pytest.mark.parametrize("word", ["surprise", "limit"])
def test_an_unknown_table_is_refused(word: str, tmp_path: Path) -> None:
    [problem] = refusal(config.load_rig, rig(tmp_path, f"{FULL}\n[{word}]\na = 1\n"))
    hint = 'did you mean "limits"?' if word == "limit" else "remove it; known here: rig, fitted,"
    assert problem.startswith(f"{word}: unknown key; {hint}")


def test_everything_wrong_is_reported_at_once(tmp_path: Path) -> None:
    text = change(FULL, "limits", "dead_head", "")
    text = change(text, "limits", "scale_step", 'scale_step = "1 m"')
    text = change(text, "procedure", "standing_repeats", "standing_repeats = 0")
    text = change(text, "fitted", "cv_103", 'cv_103 = "yes"')
    text = change(text, "rig", "units", 'units = "imperial"')
    assert refusal(config.load_rig, rig(tmp_path, text)) == [
        'rig.units: "imperial" is not known; write "metric" or "us".',
        'fitted.cv_103: "yes" has the wrong type; write true or false without quotes.',
        'limits.scale_step: "1 m" is a length, not a mass; write a mass like "0.5 kg", "20 g" or "8 oz".',
        'limits.dead_head: missing; add dead_head = "90 s", "5 min" or "3 h".',
        "procedure.standing_repeats: 0 is outside 1 to 50: the rig may not go round for ever.",
    ]


# ---- what is ill-typed, in the wrong unit or out of range


@pytest.mark.parametrize(
    ("table", "key"),
    [(table, key) for table, key, _, field in FIELDS if units.dimension_of(field.name) is not units.NUMBER],
)
@pytest.mark.parametrize("value", ['"1 furlong"', "1", "1.5", '"1"', "true", "[]", '"1 kW"', '""'])
def test_a_wrong_or_missing_unit_is_refused(table: str, key: str, value: str, tmp_path: Path) -> None:
    [problem] = refusal(config.load_rig, rig(tmp_path, change(FULL, table, key, f"{key} = {value}")))
    assert problem.startswith(f"{table}.{key}: ")
    assert "; write " in problem


@pytest.mark.parametrize(("table", "key"), [(t, k) for t, k, _, field in FIELDS if field.type in (bool, int)])
@pytest.mark.parametrize("value", ['"true"', "1.0", "[1]", "2031-06-30"])
def test_a_wrong_type_is_refused(table: str, key: str, value: str, tmp_path: Path) -> None:
    [problem] = refusal(config.load_rig, rig(tmp_path, change(FULL, table, key, f"{key} = {value}")))
    assert problem.startswith(f"{table}.{key}: ")
    assert "has the wrong type; write " in problem


def test_every_figure_of_a_rig_has_a_range() -> None:
    # A figure without a range could be mistyped by a factor of a thousand unnoticed.
    without = {
        f"{struct.__name__}.{field.name}"
        for _, _, struct, field in FIELDS
        if field.type in (float, int) and (struct, field.name) not in config._WITHIN
    }
    assert without == set()


@pytest.mark.parametrize(("table", "key", "struct", "field"), [one for one in FIELDS if one[3].type in (float, int)])
@pytest.mark.parametrize("side", [0, 1])
def test_a_figure_outside_its_range_is_refused_with_the_reason(
    table: str,
    key: str,
    struct: type[msgspec.Struct],
    field: msgspec.structs.FieldInfo,
    side: int,
    tmp_path: Path,
) -> None:
    least, most, why = config._WITHIN[struct, field.name]
    bound = most if side else least
    dimension = units.dimension_of(field.name)
    outside = bound * (1.001 if side else 0.999) if bound else -0.001
    if field.type is int:
        value: str = str(int(bound) + (1 if side else -1))
    elif dimension is units.NUMBER:
        value = repr(outside)
    else:
        unit = {
            "absolute pressure": "Pa abs", "gauge pressure": "Pa g", "flow coefficient": "m3/h",
            "temperature": "degC", "share of the lower flammable limit": "LFL",
        }.get(dimension.name, dimension.si)  # fmt: skip
        value = f'"{outside:.12f} {unit}"'
    [problem] = refusal(config.load_rig, rig(tmp_path, change(FULL, table, key, f"{key} = {value}")))
    assert problem.startswith(f"{table}.{key}: ")
    assert why in problem or (bound == 0.0 and dimension is units.TIME and "before now" in problem)


def test_pressure_and_temperature_of_one_name_are_kept_apart() -> None:
    assert config.key_of(settings.Limits, "discharge_high_pa_abs") == "discharge_high_pressure"
    assert config.key_of(settings.Limits, "discharge_high_degc") == "discharge_high_temperature"
    for struct in {struct for _, _, struct, _ in FIELDS}:
        keys = [config.key_of(struct, name) for name in struct.__struct_fields__]
        assert len(keys) == len(set(keys))


def test_gauge_or_absolute_must_be_said(tmp_path: Path) -> None:
    text = change(FULL, "limits", "discharge_high_pressure", 'discharge_high_pressure = "36 bar"')
    assert refusal(config.load_rig, rig(tmp_path, text)) == [
        'limits.discharge_high_pressure: "36 bar" does not say gauge or absolute; write "36 bar g" or "36 bar abs".'
    ]


# ---- files


@pytest.mark.parametrize("load", [config.load_rig, config.load_job])
def test_a_file_that_cannot_be_read_gets_one_sentence(load: Any, tmp_path: Path) -> None:
    assert refusal(load, tmp_path / "none.toml") == ["there is no such file; check the name."]
    assert refusal(load, tmp_path / "no" / "none.toml") == ["there is no such file; check the name."]
    (tmp_path / "shop.toml").write_text("", "utf-8")
    assert refusal(load, tmp_path / "shpo.toml") == [f'there is no such file; did you mean "{tmp_path / "shop.toml"}"?']
    assert refusal(load, tmp_path) == ["this is a folder; name a .toml file in it."]
    broken = tmp_path / "broken.toml"
    broken.write_text("[rig]\nname = shop\n", "utf-8")
    [problem] = refusal(load, broken)
    assert problem.startswith("the file is not TOML: ")
    assert "line 2" in problem
    broken.write_bytes(b'name = "caf\xe9"')
    assert refusal(load, broken) == ["the file is not UTF-8 text (byte 11); save it as UTF-8."]


def test_a_file_without_permission_gets_one_sentence(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def refuse(_: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    assert refusal(config.load_rig, tmp_path / "a.toml") == [
        "the file cannot be read (Permission denied); check its permissions."
    ]


def test_a_rig_for_a_job_and_a_job_for_a_rig_are_told_apart() -> None:
    assert refusal(config.load_rig, CONFIGS / "jobs/chiller.toml") == [
        "this is a job's file, and a rig's is wanted; swap the two names."
    ]
    assert refusal(config.load_job, CONFIGS / "rigs/full.toml") == [
        "this is a rig's file, and a job's is wanted; swap the two names."
    ]


# ---- jobs


@pytest.mark.parametrize(
    ("table", "key", "line", "problem"),
    [
        ("appliance", "refrigerant", 'refrigerant = "R-134"', "R-134a"),
        ("appliance", "refrigerant", "refrigerant = 134", "has the wrong type; write text in quotes."),
        ("appliance", "charge", 'charge = "60 lbf"', "unknown unit"),
        ("appliance", "charge", "charge = 60", "60 has no unit"),
        ("appliance", "charge", 'charge = "0 kg"', '"0 kg" is outside 0.01 kg to 10000 kg'),
        ("appliance", "description", 'description = " "', "this is empty"),
        ("appliance", "ambient", 'ambient = "20"', "has no unit"),
        ("job", "date", 'date = "6 May 2026"', "is not a date; write year-month-day like 2031-06-30."),
        ("job", "date", "date = 2026-05-06T10:00:00", "has the wrong type"),
        ("job", "technician", "", 'missing; add technician = "...".'),
        ("level", "rules", 'rules = "us-82.165"', 'is not known; did you mean "us-82.156"?'),
        ("level", "rules", 'rules = "custom"', "brings no levels of its own"),
        ("level", "rules", "", 'missing; add rules = "...".'),
        ("level", "case", 'case = "hole"', 'did you mean "whole"?'),
        ("level", "case", 'case = "small"', "is no small appliance"),
        ("level", "case", 'case = "vehicle"', "custom level"),
        ("level", "case", 'case = "whole"\nlevel = "50 kPa abs"', "has its own levels; remove this line"),
        ("cylinder", "service_pressure", 'service_pressure = "400 psi"', 'write "400 psig" or "400 psia".'),
        ("cylinder", "water_capacity", 'water_capacity = "27.2 L"', "is a volume, not a mass"),
        ("cylinder", "tare", 'tare = "-1 kg"', "is outside"),
        ("cylinder", "serial", "", 'missing; add serial = "...".'),
        ("cylinder", "serial", "serial = 21", "has the wrong type; write text in quotes."),
        ("cylinder", "retest_due", "", "missing; add retest_due = 2031-06-30."),
        ("cylinder", "refrigerant", 'refrigerant = "water"', "There is no table"),
    ],
)  # fmt: skip
def test_a_wrong_job_is_refused(table: str, key: str, line: str, problem: str, tmp_path: Path) -> None:
    problems = refusal(config.load_job, job(tmp_path, change(CHILLER, table, key, line)))
    assert any(one.startswith(table) and problem in one for one in problems), problems


def test_a_level_of_ones_own_needs_its_source(tmp_path: Path) -> None:
    custom = 'rules = "custom"\nlevel = "50 kPa abs"\n'
    text = change(CHILLER, "level", "rules", custom)
    assert refusal(config.load_job, job(tmp_path, text)) == [
        'level.source: missing, and "custom" brings no levels of its own; add source = "who asks for it".'
    ]
    loaded = config.load_job(job(tmp_path, change(CHILLER, "level", "rules", custom + 'source = "contract, clause 4"')))
    assert loaded.job.level_pa_abs == 50_000.0
    assert loaded.job.level_source == "contract, clause 4"
    over = change(CHILLER, "level", "rules", 'rules = "custom"\nlevel = "1 bar g"\nsource = "me"')
    [problem] = refusal(config.load_job, job(tmp_path, over))
    assert problem.startswith('level.level: "1 bar g" is outside ')


def test_an_unknown_charge_asks_for_the_deeper_level(tmp_path: Path) -> None:
    loaded = config.load_job(job(tmp_path, change(CHILLER, "appliance", "charge", "")))
    assert loaded.job.charge_kg is None
    # 40 CFR 82.156 Table 1: medium pressure, 200 lb or more: 15 inHg.
    assert loaded.job.level_pa_abs == pytest.approx((29.9 - 15) * 3386.389)


def test_a_refrigerant_may_be_written_without_ceremony(tmp_path: Path) -> None:
    text = change(SPLIT, "appliance", "refrigerant", 'refrigerant = "r410a"')
    assert config.load_job(job(tmp_path, text)).job.refrigerant == "R-410A"


def test_spare_cylinders_are_checked_like_the_first(tmp_path: Path) -> None:
    text = change(CHILLER, "[spare_cylinders]", "tare", 'tare = "16 bar"')
    assert refusal(config.load_job, job(tmp_path, text)) == [
        'spare_cylinders[1].tare: "16 bar" is a pressure difference, not a mass; '
        'write a mass like "0.5 kg", "20 g" or "8 oz".'
    ]
    text = change(CHILLER, "[spare_cylinders]", "serial", 'serial = "EX-0021"')
    assert refusal(config.load_job, job(tmp_path, text)) == [
        'spare_cylinders: the serial number "EX-0021" stands on 2 cylinders; give each its own.'
    ]
    text = CHILLER.split("[[spare_cylinders]]")[0]
    assert refusal(config.load_job, job(tmp_path, f"spare_cylinders = 3\n{text}")) == [
        "spare_cylinders: begin every spare cylinder with a line [[spare_cylinders]]."
    ]
    assert config.load_job(job(tmp_path, text)).spare_cylinders == ()


def test_a_table_that_is_none_is_refused(tmp_path: Path) -> None:
    text = re.sub(r"(?ms)^\[level\]\n.*?(?=^\[)", "", CHILLER)
    assert refusal(config.load_job, job(tmp_path, f"level = 3\n{text}")) == [
        "level: this must be a table; begin it with a line [level]."
    ]


# ---- reporting


MQTT = '\n[mqtt]\nhost = "broker.example"\nsite = "north"\nrig = "rig-1"\n'


def test_reporting_is_encrypted_unless_switched_off(tmp_path: Path) -> None:
    secure = config.load_rig(rig(tmp_path, FULL + MQTT)).mqtt
    # IANA service names: secure-mqtt 8883, mqtt 1883.
    assert secure is not None
    assert (secure.tls, secure.port) == (True, 8883)
    plain = config.load_rig(rig(tmp_path, f"{FULL}{MQTT}tls = false\n")).mqtt
    assert plain is not None
    assert (plain.tls, plain.port) == (False, 1883)
    assert config.load_rig(rig(tmp_path, FULL)).mqtt is None


def test_a_password_file_counts_from_the_rigs_file(tmp_path: Path) -> None:
    text = f'{FULL}{MQTT}username = "rig"\npassword_file = "secret"\n'
    loaded = config.load_rig(rig(tmp_path, text)).mqtt
    assert loaded is not None
    assert loaded.password_file == str(tmp_path / "secret")
    text = f'{FULL}{MQTT}password_file = "/etc/secret"\n'
    loaded = config.load_rig(rig(tmp_path, text)).mqtt
    assert loaded is not None
    assert loaded.password_file == "/etc/secret"


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ('password = "hush"', "mqtt.password: a password does not belong in this file; "
         "put it into a file and name that in password_file."),
        ("port = 70000", "mqtt.port: 70000 is outside 1 to 65535: other ports do not exist."),
        ("port = true", "mqtt.port: true has the wrong type; write a whole number."),
        ('tsl = true', 'mqtt.tsl: unknown key; did you mean "tls"?'),
    ],
)  # fmt: skip
def test_a_wrong_broker_is_refused(line: str, problem: str, tmp_path: Path) -> None:
    assert refusal(config.load_rig, rig(tmp_path, f"{FULL}{MQTT}{line}\n")) == [problem]


@pytest.mark.parametrize("word", ["North", "a/b", "+", "#", "über"])
def test_a_word_that_breaks_a_topic_is_refused(word: str, tmp_path: Path) -> None:
    text = FULL + MQTT.replace('"north"', f'"{word}"')
    assert refusal(config.load_rig, rig(tmp_path, text)) == [
        f'mqtt.site: "{word}" stands in MQTT topics; write small letters, digits and hyphens only.'
    ]


def test_tables_of_other_parts_pass_through(tmp_path: Path) -> None:
    loaded = config.load_rig(rig(tmp_path, f'{FULL}\n[hardware]\nbus = "modbus"\n[simulation]\nseed = 1\n'))
    assert (loaded.hardware, loaded.simulation) == ({"bus": "modbus"}, {"seed": 1})


# ---- telling


def test_settings_are_told_in_the_rigs_units() -> None:
    told = {}
    for name in ("full", "basic"):
        joined = config.settings_for(
            config.load_rig(CONFIGS / f"rigs/{name}.toml"), config.load_job(CONFIGS / "jobs/split-ac.toml")
        )
        lines = config.describe(joined)
        assert json.loads(json.dumps(lines)) == [list(line) for line in lines]
        assert len(dict(lines)) == len(lines)
        told[name] = dict(lines)
    assert told["full"]["limits.discharge_high_pressure"] == "36 bar g"
    assert told["full"]["limits.discharge_high_temperature"] == "120 °C"
    assert told["full"]["compressor.clearance"] == "0.02"
    assert told["full"]["cylinder.tare"] == "12.7 kg"
    assert told["full"]["fitted.lsh_301"] == "yes"
    assert told["basic"]["limits.discharge_high_pressure"] == "520 psig"
    assert told["basic"]["limits.suction_starved"] == "21 inHg vac"
    assert told["basic"]["limits.freeze_guard"] == "4 °F diff"
    assert told["basic"]["job.charge"] == "6.614 lb"  # 3 kg / 0.45359237 (NIST SP 811)


def test_how_the_rig_is_hooked_up_may_be_said_in_part_or_not_at_all(tmp_path: Path) -> None:
    whole = (CONFIGS / "jobs/split-ac.toml").read_text("utf-8")
    said = config.load_job(CONFIGS / "jobs/split-ac.toml").hookup
    assert said.liquid_hose_bore_m == pytest.approx(4.8e-3) and said.cylinder_bath is settings.Bath.AIR
    before, _, rest = whole.partition("[hookup]")
    after = rest[rest.index("[cylinder]") :]
    assert config.load_job(job(tmp_path, before + after)).hookup == settings.Hookup()
    part = config.load_job(job(tmp_path, f"{before}[hookup]\nliquid_core_in = false\n{after}")).hookup
    assert part == settings.Hookup(liquid_core_in=False)
    joined = config.settings_for(config.load_rig(RIGS[0]), config.load_job(job(tmp_path, whole)))
    assert joined.hookup == said


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('liquid_hose_bore = "4.8"', "hookup.liquid_hose_bore: "),
        ('liquid_hose_bore = "48 cm"', "is outside 0.002 m to 0.05 m"),
        ('cylinder_bath = "beer"', '"unknown" or "air" or "water" or "ice"'),
        ("manifold = 1", "true or false"),
        ("valve_cores = true", "unknown key"),
    ],
)
def test_a_hook_up_that_cannot_be_is_refused_by_sentence(tmp_path: Path, line: str, words: str) -> None:
    before, _, rest = (CONFIGS / "jobs/split-ac.toml").read_text("utf-8").partition("[hookup]")
    text = f"{before}[hookup]\n{line}\n{rest[rest.index('[cylinder]') :]}"
    (problem,) = refusal(config.load_job, job(tmp_path, text))
    assert words in problem and problem.startswith("hookup.")


# ---- anything at all

TOML_VALUES = st.one_of(
    st.text(st.characters(exclude_categories=["C"]), max_size=12).map(
        lambda text: json.dumps(text, ensure_ascii=False)
    ),
    st.integers(-(10**6), 10**6).map(str),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.sampled_from(["true", "nan", "inf", "-inf", "[]", "{}", "[[1], [{}]]", "1979-05-27", "07:32:00", "{a = 1}"]),
)


@hypothesis_settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(where=st.sampled_from(FULL_KEYS), value=TOML_VALUES)
def test_any_value_is_taken_as_finite_si_or_refused_by_sentence(
    where: tuple[str, str], value: str, tmp_path: Path
) -> None:
    table, key = where
    path = rig(tmp_path, change(FULL, table, key, f"{key} = {value}"))
    try:
        loaded = config.load_rig(path)
    except config.ConfigError as error:
        assert all(problem.startswith(f"{path}: {table}.{key}: ") for problem in error.problems)
        assert all(problem[-1] in ".?" for problem in error.problems)
        assert "\n" not in error.problems[0]
    else:
        numbers = msgspec.to_builtins(loaded.limits) | msgspec.to_builtins(loaded.procedure)
        assert all(math.isfinite(number) for number in numbers.values())
