"""Scenario files, what is put together from them, and the page that shows how they went."""

import json
import re
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import msgspec
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from hil_sim import cli, gallery
from hil_sim.bench import Happening, rig_parameters
from hil_sim.plant.model import PlantParameters
from hil_sim.scenario import ELSEWHERE, ScenarioError, changes, load_scenario, parameter_groups, written
from hil_sim.simulation import prepare_scenario
from rigctl.config import load_job, load_rig, settings_for
from rigctl.console import MistakeError
from rigctl.control.readings import Request, RequestKind, Source
from tests.test_cli import CONFIGS, hil_sim, refused
from tests.waiting import PROGRAM_S

NAMES = sorted(path.stem for path in (CONFIGS / "scenarios").glob("*.toml"))

# Unit to write for each suffix, and how many of it make one of the suffix's own: SI prefixes, by hand.
UNITS = (
    ("_w_m2", "W/m2", 1.0),
    ("_pa_abs", "kPa abs", 1e-3),
    ("_pa", "mbar", 1e-2),
    ("_degc", "degC", 1.0),
    ("_kg_s", "g/s", 1e3),
    ("_kg", "g", 1e3),
    ("_m3_h", "m3/h", 1.0),
    ("_m3", "cm3", 1e6),
    ("_m2", "mm2", 1e6),
    ("_m", "mm", 1e3),
    ("_w_m2_k", "W/m2K", 1.0),
    ("_w_k", "W/K", 1.0),
    ("_j_k", "kJ/K", 1e-3),
    ("_w", "W", 1.0),
    ("_s", "min", 1.0 / 60.0),
    ("_mol", "mol", 1.0),
    ("_rpm", "rpm", 1.0),
)


def in_file(name, value):
    """Key and value of one parameter as a person writes them, without the project's own code."""
    if isinstance(value, bool):
        return name, str(value).lower()
    for suffix, unit, factor in UNITS:
        if name.endswith(suffix):
            return name.removesuffix(suffix), f'"{value * factor:.12f} {unit}"'
    return name, f"{value:.12f}"


def written_within(name):
    """What twelve decimals in the unit of the file leave open, in SI."""
    return next((1e-12 / factor for suffix, _, factor in UNITS if name.endswith(suffix)), 1e-12)


def every_parameter():
    """(group, field) of all parameters of the plant."""
    return [(group, item) for group, kind in parameter_groups().items() for item in fields(kind)]


def default_of(group, item):
    return getattr(getattr(PlantParameters(), group), item.name)


HEAD = 'purpose = "a test"\n\n[run]\njob = "split-ac"\nrig = "full"\nsetup = "cores-out"\n'


def scenario_file(folder, text=HEAD, name="mine.toml"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


# ---- the shipped files -----------------------------------------------------------------------------------


def test_there_are_scenarios_for_every_appliance_and_each_has_a_purpose_of_its_own():
    said = [load_scenario(CONFIGS / f"scenarios/{name}.toml") for name in NAMES]
    assert len(said) >= 18
    assert len({one.purpose for one in said}) == len(said)
    assert {one.job for one in said} == {"split-ac", "refrigerator", "chiller"}
    assert all(re.fullmatch(r"[a-z][a-z-]*[a-z]", name) for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_every_shipped_scenario_loads_and_its_plant_is_accepted(name):
    said, simulation = prepare_scenario(name)
    bench = simulation.bench(said.seed)
    bench.scan()
    assert bench.plant.books().mass == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "outcome", "words"),
    [
        ("refrigerator", "complete", "Done"),
        ("air-in-cylinder", "stopped", "Stopped"),
        ("nearly-full-cylinder", "stopped", "Stopped"),
        ("power-cut", "complete", "Done"),
    ],
)
def test_scenarios_end_as_a_technician_expects_and_the_weight_is_right(name, outcome, words):
    said, simulation = prepare_scenario(name)
    result = simulation.bench(said.seed).finish(said.until_s)
    assert result.outcome.value == outcome
    assert words in result.sentence
    # k = 3: a test that fails once in some hundred seeds would be of no use.
    assert abs(result.recovered_kg - result.true_recovered_kg) < 3.0 * result.recovered_uncertainty_kg
    assert not result.compressor_damaged


def test_a_full_cylinder_is_not_filled_above_its_limit():
    # AHRI Guideline K: 0.8 x water capacity x specific gravity; 1.06 for R-410A at 25 degC, from memory.
    said, simulation = prepare_scenario("nearly-full-cylinder")
    bench = simulation.bench(said.seed)
    bench.finish(said.until_s)
    assert bench.plant.named_truth().y_kg < 0.8 * 21.6 * 1.07


# ---- overrides -------------------------------------------------------------------------------------------


def test_exactly_what_job_and_rig_say_is_refused_in_a_scenario(tmp_path):
    of_job_and_rig = {("cylinder", "volume_m3"), ("cylinder", "tare_kg"), ("rig", "coil_fitted")}
    plain = settings_for(load_rig(CONFIGS / "rigs/full.toml"), load_job(CONFIGS / "jobs/split-ac.toml"))
    before = PlantParameters(rig=rig_parameters(plain))
    for table in ("fitted", "compressor"):
        part = getattr(plain, table)
        for name in part.__struct_fields__:
            value = getattr(part, name)
            other = not value if isinstance(value, bool) else value * 1.01
            changed = msgspec.structs.replace(plain, **{table: msgspec.structs.replace(part, **{name: other})})
            after = PlantParameters(rig=rig_parameters(changed))
            of_job_and_rig |= {tuple(change.parameter.split(".")) for change in changes(before, after)}
    seen = set()
    for group, item in every_parameter():
        key, value = in_file(item.name, default_of(group, item))
        path = scenario_file(tmp_path, f"{HEAD}\n[{group}]\n{key} = {value}\n")
        try:
            load_scenario(path)
        except ScenarioError as error:
            assert re.search(
                rf"mine\.toml: {group}\.{key}: the (rig|job|set-up)'s file says it, as .*\[\w+\]", str(error)
            )
            seen.add((group, item.name))
    assert seen == of_job_and_rig


def free_parameters():
    """Parameters that a scenario may set, with what it may set them to."""
    return [(group, item) for group, item in every_parameter() if f"{group}.{item.name}" not in ELSEWHERE]


def values_of(item, default):
    if isinstance(default, bool):
        return st.booleans()
    return st.floats(item.metadata["low"], item.metadata["high"]).map(lambda value: float(f"{value:.6g}"))


@st.composite
def overrides(draw):
    chosen = draw(
        st.lists(st.sampled_from(free_parameters()), min_size=1, max_size=6, unique_by=lambda p: (p[0], p[1].name))
    )
    found = []
    for group, item in chosen:
        value = draw(values_of(item, default_of(group, item)))
        if not isinstance(value, bool):
            # Six digits may lie a rounding beyond a limit.
            value = min(max(value, item.metadata["low"]), item.metadata["high"])
        found.append((group, item.name, value))
    return found


@settings(max_examples=60, deadline=None)
@given(overrides())
@example([("rig", "start_pressure_difference_pa", 5.96046e-08)])
def test_a_loaded_override_arrives_in_the_plants_parameters_in_si(tmp_path_factory, wanted):
    tables = {}
    for group, name, value in wanted:
        tables.setdefault(group, []).append(" = ".join(in_file(name, value)))
    text = HEAD + "".join(f"\n[{group}]\n" + "\n".join(lines) + "\n" for group, lines in tables.items())
    path = scenario_file(tmp_path_factory.mktemp("scenario"), text)
    try:
        _, simulation = prepare_scenario(path)
    except ScenarioError as error:
        # Written with twelve decimals, a value at the very limit may lie a rounding beyond it.
        assert "more or less than the plant takes" in str(error)
        assert any(not isinstance(v, bool) and v in limits(g, n) for g, n, v in wanted)
        return
    for group, name, value in wanted:
        assert getattr(getattr(simulation.parameters, group), name) == pytest.approx(
            value, rel=1e-6, abs=written_within(name)
        )


def limits(group, name):
    metadata = next(item.metadata for item in fields(parameter_groups()[group]) if item.name == name)
    return metadata["low"], metadata["high"]


def test_keys_of_one_table_are_told_apart():
    for group in parameter_groups():
        keys = [in_file(item.name, default_of(group, item))[0] for where, item in every_parameter() if where == group]
        assert len(keys) == len(set(keys))


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_a_value_as_it_is_shown_can_be_written_into_a_file(tmp_path_factory, data):
    group, item = data.draw(st.sampled_from(free_parameters()))
    value = data.draw(values_of(item, default_of(group, item)))
    if not isinstance(value, bool):
        low, high = item.metadata["low"], item.metadata["high"]
        value = min(max(value, low + 1e-4 * (high - low)), high - 1e-4 * (high - low))
    key, _ = in_file(item.name, value)
    shown = written(item.name, value)
    text = shown if isinstance(value, bool) else f'"{shown}"'
    path = scenario_file(tmp_path_factory.mktemp("scenario"), f"{HEAD}\n[{group}]\n{key} = {text}\n")
    # Six digits are shown; gauge pressures lose one more against the atmosphere.
    assert load_scenario(path).overrides[group][item.name] == pytest.approx(
        value, rel=1e-5, abs=1.0 if "_pa" in item.name else 1e-3 if "_degc" in item.name else 0.0
    )


def test_the_room_of_a_scenario_is_the_room_the_technician_writes_down_and_the_log_knows_what_is_in_the_cylinder(
    tmp_path,
):
    text = HEAD + '\n[ambient]\ntemperature = "86 degF"\n\n[cylinder]\nresidual = "4 kg"\n'
    _, simulation = prepare_scenario(scenario_file(tmp_path, text))
    assert simulation.settings.job.ambient_degc == pytest.approx(30.0)
    assert simulation.parameters.ambient.temperature_degc == pytest.approx(30.0)
    assert simulation.settings.cylinder.residual_kg == pytest.approx(4.0)
    bench = simulation.bench(1)
    assert bench.plant.named_truth().y_kg == pytest.approx(4.0, rel=1e-6)


def test_an_empty_appliance_stays_empty_whatever_charge_the_scenario_names(tmp_path):
    text = HEAD + 'faults = ["empty-appliance"]\n\n[appliance]\ncharge = "5 kg"\n'
    _, simulation = prepare_scenario(scenario_file(tmp_path, text))
    assert simulation.parameters.appliance.charge_kg < 0.05


def test_a_path_in_a_scenario_counts_from_its_own_folder(tmp_path):
    (tmp_path / "jobs").mkdir()
    job = (CONFIGS / "jobs/split-ac.toml").read_text(encoding="utf-8")
    (tmp_path / "jobs/mine.toml").write_text(job.replace("Split air conditioner, coil", "Mine, coil"), encoding="utf-8")
    text = HEAD.replace('job = "split-ac"', 'job = "jobs/mine.toml"\nappliance = "split-ac"')
    _, simulation = prepare_scenario(scenario_file(tmp_path, text))
    assert simulation.settings.job.name.startswith("Mine")


# ---- mistakes --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('purpose = "a test"\n', "", "purpose: missing; write purpose = "),
        ("[run]\n", "[ruin]\n", 'ruin: unknown key; did you mean "run"'),
        (HEAD[HEAD.index("[run]") :], "", r"run: missing; begin a table \[run\]"),
        ('job = "split-ac"\n', "", "run.job: missing; write job = "),
        ('job = "split-ac"\n', "job = 3\n", "run.job: 3 is no name; write job = "),
        ('job = "split-ac"\n', 'jobb = "split-ac"\n', 'run.jobb: unknown key; did you mean "job"'),
        ('job = "split-ac"\n', 'job = "houseboat"\n', 'run.job: there is no "houseboat" among the jobs.*split-ac'),
        ('setup = "cores-out"\n', 'setup = "magic"\n', "run.setup: .*known by name.*cores-out"),
        ("[run]\n", 'rig = "full"\n[run]\n', r'rig: \[rig\] is a table of parameters; write rig = "..." under \[run\]'),
        ("[run]\n", "[run]\nseed = -1\n", "run.seed: -1 is no seed; write a whole number"),
        ("[run]\n", "[run]\nseed = true\n", "run.seed: True is no seed"),
        ("[run]\n", '[run]\nuntil = "3"\n', "run.until: .*has no unit"),
        ("[run]\n", '[run]\nuntil = "0 s"\n', "run.until: .*write a time up to"),
        ("[run]\n", '[run]\nuntil = "40 h"\n', "run.until: .*write a time up to"),
        ("[run]\n", '[run]\nfaults = "leak"\n', "run.faults: this must be a list"),
        ("[run]\n", '[run]\nfaults = ["leek"]\n', 'run.faults: there is no fault "leek"; did you mean "leak"'),
        ("[run]\n", '[run]\nfaults = ["leak@soon"]\n', 'run.faults: leak@soon: "soon" is no number'),
        ("[run]\n", '[run]\nfaults = ["XX-999:stuck"]\n', "run.faults: XX-999: no instrument"),
        ("[run]\n", '[run]\nfaults = ["PT-101:bent"]\n', "run.faults: PT-101:bent: .*no kind of fault"),
        ("[run]\n", '[lines]\nhose_ua = "3 bar"\n[run]\n', "lines.hose_ua: .*write a heat conductance like"),
        ("[run]\n", '[lines]\nhose_au = "3 W/K"\n[run]\n', 'lines.hose_au: unknown key; did you mean "hose_ua"'),
        ("[run]\n", '[lines]\nhose_ua = "3 kW/K"\n[run]\n', "lines.hose_ua: .*write a value from 0 W/K to 20 W/K"),
        ("[run]\n", '[ambient]\npressure = "1 bar"\n[run]\n', "ambient.pressure: .*gauge or absolute"),
        ("[run]\n", '[cylinder]\ndip_tube = "yes"\n[run]\n', "cylinder.dip_tube: 'yes' must be true or false"),
        ("[run]\n", "lines = 3\n[run]\n", "lines: this must be a table"),
        (
            "[run]\n",
            '[cylinder]\nvolume = "20 L"\n[run]\n',
            "cylinder.volume: the job's file says it, as water_capacity",
        ),
        ("[run]\n", '[rig]\nclearance = "3 %"\n[run]\n', "rig.clearance: the rig's file says it, as clearance"),
        ("[run]\n", "[run\n", "can't be read as TOML"),
    ],
)
def test_a_mistake_in_a_scenario_is_one_sentence_with_file_key_and_remedy(old, new, words, tmp_path):
    assert old in HEAD
    path = scenario_file(tmp_path, HEAD.replace(old, new, 1))
    with pytest.raises((ScenarioError, MistakeError)) as said:
        prepare_scenario(path)
    message = str(said.value)
    assert message.startswith(f"{path}: ")
    assert re.search(words, message), message
    assert "\n" not in message


def test_what_the_jobs_own_log_says_of_the_cylinder_is_changed_there(tmp_path):
    job = (CONFIGS / "jobs/split-ac.toml").read_text(encoding="utf-8").replace("tare =", 'residual = "1 kg"\ntare =')
    (tmp_path / "job.toml").write_text(job, encoding="utf-8")
    text = HEAD.replace('"split-ac"', '"job.toml"\nappliance = "split-ac"') + '\n[cylinder]\nresidual = "4 kg"\n'
    with pytest.raises(ScenarioError, match=r"mine.toml: cylinder.residual: .*job.toml says what is in the cylinder"):
        prepare_scenario(scenario_file(tmp_path, text))


def test_a_fault_that_the_rig_cannot_have_names_the_scenario(tmp_path):
    text = HEAD.replace('"full"', '"basic"') + 'faults = ["gas-alarm"]\n'
    path = scenario_file(tmp_path, text)
    _, simulation = prepare_scenario(path)
    with pytest.raises(MistakeError, match=r"mine.toml: run.faults: AT-001 is not fitted on this rig"):
        simulation.bench(1)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["scenario", "show", "hot-dai"], "no .hot-dai. among the scenarios; known by name.*hot-day"),
        (["scenario", "show", "nothing.toml"], "nothing.toml: there is no such file"),
        (["run", "--scenario", "hot-dai"], "among the scenarios"),
        (["run", "--scenario", "hot-day", "--rig", "shop"], "--rig cannot go with --scenario hot-day"),
        (
            ["run", "--scenario", "hot-day", "--job", "chiller", "--setup", "all-out"],
            "--job and --setup cannot go with",
        ),
        (["gallery", "hot-day"], "--out"),
        (["gallery", "--out", "nowhere/page.html"], "nowhere/page.html: there is no folder"),
        (["gallery", "--out", "page.html", "hot-dai"], "among the scenarios"),
        (["gallery", "--out", "page.html", "--workers", "0"], "--workers"),
    ],
)
def test_a_mistake_in_the_command_line_is_one_sentence_and_status_2(arguments, words, tmp_path):
    refused(hil_sim(*arguments, cwd=tmp_path, RIGCTL_CONFIGS=str(CONFIGS)), words)
    assert not list(tmp_path.iterdir())


def test_without_scenarios_one_sentence_says_where_they_were_looked_for(tmp_path, monkeypatch):
    monkeypatch.setattr(cli, "config_folders", lambda: [tmp_path])
    monkeypatch.setattr(cli, "names", lambda kind: [])
    with pytest.raises(MistakeError, match=f"no scenarios in {tmp_path}/scenarios; name one by its path"):
        cli.list_scenarios()


# ---- commands --------------------------------------------------------------------------------------------


def test_help_of_the_simulation_loads_nothing_heavy():
    heavy = ["numpy", "numba", "matplotlib", "msgspec", "rich", "jinja2", "transitions", "hil_sim.bench"]
    code = f"import sys, hil_sim.cli; print([name for name in {heavy} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=PROGRAM_S, check=True)
    assert done.stdout.strip() == "[]"


def test_the_list_names_every_scenario_with_its_purpose():
    listed = json.loads(hil_sim("scenario", "list", "--json").stdout)
    assert [row["name"] for row in listed] == NAMES
    text = hil_sim("scenario", "list").stdout
    for row in listed:
        assert re.search(rf"^{row['name']} .*{re.escape(row['purpose'])}$", text, re.MULTILINE)


def test_show_says_what_differs_from_the_files_in_units(tmp_path):
    tables = (
        '\n[cylinder]\nresidual = "8 lb"\n\n[ambient]\ntemperature = "95 degF"\n\n[lines]\nliquid_hose_bore = "3/8"\n'
    )
    path = scenario_file(tmp_path, HEAD + tables.replace('"3/8"', '"0.375 in"'))
    shown = json.loads(hil_sim("scenario", "show", path, "--json").stdout)
    assert shown["purpose"] == "a test"
    assert shown["job"] == "split-ac"
    by_key = {change["key"]: change for change in shown["changes"]}
    assert set(by_key) == {"cylinder.residual", "ambient.temperature", "lines.liquid_hose_bore"}
    assert by_key["cylinder.residual"]["before"] == pytest.approx(0.5)
    # 1 lb = 0.45359237 kg, 1 in = 25.4 mm exactly (international yard and pound agreement, 1959).
    assert by_key["cylinder.residual"]["after"] == pytest.approx(8 * 0.45359237)
    assert by_key["lines.liquid_hose_bore"]["after_text"] == "9.525 mm"
    assert by_key["ambient.temperature"]["after_text"] == "35 °C"
    text = hil_sim("scenario", "show", path).stdout
    assert re.search(r"lines\.liquid_hose_bore +4\.8 mm +9\.525 mm +liquid hose, bore", text)


def test_show_tells_the_faults_in_words_and_that_nothing_differs():
    text = hil_sim("scenario", "show", "power-cut").stdout
    assert "the supply fails for a minute, at 100 s" in text
    assert "No parameter of the plant differs" in text


def test_a_scenario_runs_as_its_parts_do_and_seed_until_and_faults_can_be_given():
    last = ("--until", "3 min", "--json")
    parts = ("--job", "split-ac", "--rig", "full", "--setup", "short-wide-hoses", "--fault", "power-cut")
    whole = json.loads(hil_sim("run", "--scenario", "power-cut", *last).stdout)
    assert whole == json.loads(hil_sim("run", *parts, *last).stdout)
    more = json.loads(hil_sim("run", "--scenario", "power-cut", "--seed", 7, "--fault", "dead-fan", *last).stdout)
    assert more["seed"] == 7
    assert more == json.loads(hil_sim("run", *parts, "--fault", "dead-fan", "--seed", 7, *last).stdout)
    assert more["recovered_kg"] != whole["recovered_kg"]


def test_a_gallery_shows_each_scenario_and_one_that_cannot_be_run_does_not_stop_the_others(tmp_path):
    broken = scenario_file(tmp_path, HEAD.replace("cores-out", "magic"), "broken.toml")
    page = tmp_path / "page.html"
    done = hil_sim("gallery", "--out", page, "wrong-refrigerant", broken, "air-in-cylinder", "--workers", 2)
    assert done.returncode == 2, done.stderr
    lines = done.stdout.splitlines()
    assert {line.split("  ")[0] for line in lines[:3]} == {"1/3", "2/3", "3/3"}
    assert "1 of which could not be run" in lines[-1]
    text = page.read_text(encoding="utf-8")
    assert text.count('<svg class="plot"') == 2
    assert "run.setup: there is no &#34;magic&#34; among the setups" in text
    for words in ("Simulated, not measured", "licensed practice", "local codes", "air in the recovery cylinder"):
        assert words.lower() in text.lower()
    # Complete in itself: nothing is loaded and nothing runs.
    assert not re.search(r"<script|<link|<img|@import|(?<!xmlns=\")(?<!xlink=\")https?://", text)
    ids = re.findall(r'\bid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'(?:href="#|url\(#)([^")]+)', text)) <= set(ids)
    assert all(len(svg) < 150_000 for svg in re.findall(r"<svg.*?</svg>", text, re.DOTALL))
    # The order is the one asked for, whichever was ready first.
    assert text.index(">wrong-refrigerant</h2>") < text.index(">broken</h2>") < text.index(">air-in-cylinder</h2>")
    before = page.read_bytes()
    refused(hil_sim("gallery", "--out", page, "wrong-refrigerant"), "page.html is there already.*--force")
    assert page.read_bytes() == before
    assert hil_sim("gallery", "--out", page, "wrong-refrigerant", "--force").returncode == 0
    assert page.read_text(encoding="utf-8").count('<svg class="plot"') == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["broken.toml", "page.html"]


def test_a_drawing_has_units_phases_and_the_same_text_for_the_same_run():
    drawn = [gallery.show(0, "wrong-refrigerant") for _ in range(2)]
    assert drawn[0].failed == ""
    assert drawn[0].svg == drawn[1].svg
    for words in ("bar abs", "(kg)", "°C", "(W)", "time (min)", "line-up", "held", "level to reach", "cylinder"):
        assert words in drawn[0].svg


def test_the_page_tells_neither_alarms_that_come_and_go_nor_what_was_taken_but_what_was_refused():
    kept = [
        Happening(1.0, "technician", "start", "", "Technician pressed start."),
        Happening(1.1, "rig", "request", "hand-2", "PSH-201 still stands (pressure switch); start is not taken."),
        Happening(2.0, "rig", "trip", "PAHH-201", "Discharge pressure high."),
        # A sentence may sound like an alarm's: what counts is the kind.
        Happening(3.0, "rig", "note", "WT-301", "active: the scale stands still."),
        Happening(4.0, "fault", "stuck", "XV-301", "stuck."),
    ]
    routine = [
        Happening(1.0, "rig", "request", "hand-1", "start taken."),
        Happening(1.5, "rig", "alarm", "PAHH-201", "active, unacknowledged: Discharge pressure high."),
        Happening(2.5, "technician", "acknowledge", "", "Technician acknowledged the alarms."),
        Happening(2.6, "rig", "alarm", "PAHH-201", "normal: Discharge pressure high."),
    ]
    happened = sorted(kept + routine, key=lambda happening: happening.at_s)
    assert gallery.told(happened, {"hand-2"}) == tuple(kept)
    # What is said twice in a row, with only routine between, stands there once.
    again = Happening(2.7, "rig", "trip", "PAHH-201", "Discharge pressure high.")
    assert gallery.told(sorted([*happened, again], key=lambda one: one.at_s), {"hand-2"}) == tuple(kept)
    many = [Happening(float(n), "rig", "note", "", f"Note {n}.") for n in range(2 * gallery.MOST_HAPPENINGS)]
    assert gallery.told(many, ()) == tuple(many[: gallery.MOST_HAPPENINGS])


def test_a_run_knows_which_requests_the_rig_did_not_take():
    said, simulation = prepare_scenario("refrigerator")
    bench = simulation.bench(said.seed)
    bench.request(Request(RequestKind.RESET, Source.REMOTE, "from-afar"))
    bench.request(Request(RequestKind.START, Source.LOCAL, "at-the-rig"))
    course = gallery.Course(bench)
    course.follow(2.0)
    assert course.refused == {"from-afar"}


def test_the_course_of_a_long_run_stays_small_and_keeps_both_ends(tmp_path):
    said, simulation = prepare_scenario("refrigerator")
    bench = simulation.bench(said.seed)
    course = gallery.Course(bench, sample_s=0.1)
    course.follow(240.0)
    assert gallery.MOST_SAMPLES / 3 < len(course.time_s) <= gallery.MOST_SAMPLES + 1
    assert course.time_s[0] == pytest.approx(0.1)
    assert course.time_s[-1] == pytest.approx(240.0, abs=0.2)
    assert all(len(column) == len(course.time_s) for column in course.truth.values())


def test_a_power_cut_leaves_a_gap_in_the_lines():
    said, simulation = prepare_scenario("power-cut")
    course = gallery.Course(simulation.bench(said.seed))
    course.follow(200.0)
    # The fault begins at 100 s and lasts a minute.
    assert course.dark == [(pytest.approx(100.0, abs=0.2), pytest.approx(160.0, abs=0.2))]
    inside = [
        value for at, value in zip(course.time_s, course.truth["discharge_pa_abs"], strict=True) if 101.0 < at < 160.05
    ]
    assert inside
    assert all(value != value for value in inside)


def test_pages_are_written_whole_or_not_at_all(tmp_path, monkeypatch):
    page = tmp_path / "page.html"
    page.write_text("before", encoding="utf-8")

    def fail(self, target):
        raise OSError(28, "No space left on device", str(self))

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(OSError, match="No space"):
        gallery.write(page, [gallery.Entry(0, "x", failed="not there.")])
    assert page.read_text(encoding="utf-8") == "before"
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]


def test_a_module_with_commands_is_hooked_up_and_a_missing_one_is_left_out(tmp_path, monkeypatch):
    (tmp_path / "more_commands").mkdir()
    (tmp_path / "more_commands/__init__.py").write_text("", encoding="utf-8")
    (tmp_path / "more_commands/command.py").write_text("def register(app):\n    app.append('here')\n", encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    told = []
    monkeypatch.setattr(cli, "app", told)
    modules = ("more_commands.command", "more_commands.nothing", "nothing_at_all.command")
    monkeypatch.setattr(cli, "COMMAND_MODULES", modules)
    cli._hook_up()
    assert told == ["here"]
