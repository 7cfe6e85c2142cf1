"""Fitting the plant to recorded runs: files in, estimates with honest errors out, a plant file that reproduces them."""

import csv
import json
import math
from dataclasses import replace

import numpy as np
import pytest

from hil_sim.fit import estimate, report
from hil_sim.fit.recording import RecordingError, from_records, load, read_csv, run_of, used_part
from hil_sim.simulation import prepare, prepare_scenario
from rigctl.console import find
from rigctl.control.points import OUTPUT_TAGS
from rigctl.journal.store import Journal
from tests.test_cli import hil_sim, refused

SETUP = "everything"
FREE = ("rig.leak_factor", "cylinder.inner_ua_w_k", "appliance.refrigerant_ua_wet_w_k")


def simulation():
    return prepare("split-ac", "full", SETUP)


def scans(seconds, seed=1, **values):
    """Scans of a closed-loop run with some parameters other than the files say, and its settings."""
    made = simulation()
    made = replace(made, parameters=estimate.with_values(made.parameters, values))
    bench = made.bench(seed)
    return list(bench.run(seconds)), bench.settings


@pytest.fixture(scope="module")
def short():
    """Liquid only: the vapor phase has not begun."""
    return scans(75.0)


def problem(recording, names, **more):
    made = simulation()
    bench = made.bench(1)
    tags = [one.tag for one in bench.sensors.instruments if one.tag in estimate.TRUTH_OF]
    parameters = bench.plant.parameters
    return estimate.Problem(
        [run_of(recording, bench.settings, tags)], made.refrigerant, parameters, bench.plant.hand,
        bench.sensors.instruments, estimate.free_parameters(parameters, names), **more,
    )  # fmt: skip


def written(folder, *lines):
    path = folder / "run.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


# ---- files -----------------------------------------------------------------------------------------------


def test_readings_are_turned_into_si_by_the_unit_in_the_header(tmp_path):
    path = written(
        tmp_path,
        "time [min], PT-101 [psig], PT-201 [bar g], PT-102 [inHg vac], WT-301 [lb], TT-201 [°F], outputs, CV-103 [%]",
        "0, 100, 10, 10, 30, 77, XV-101 M-101, 25",
        "1, , 11, 20, 31, 32, , 100",
    )
    read = read_csv(path)
    # NIST SP 811, appendix B.8: 1 psi = 6.894757 kPa, 1 inHg = 3.386389 kPa, 1 lb = 0.45359237 kg.
    assert read.times_s.tolist() == [0.0, 60.0]
    assert read.readings["PT-101"][0] == pytest.approx(101325 + 689475.7, rel=1e-6)
    assert math.isnan(read.readings["PT-101"][1])
    assert read.readings["PT-201"].tolist() == pytest.approx([1101325, 1201325])
    assert read.readings["PT-102"].tolist() == pytest.approx([101325 - 33863.89, 101325 - 67727.78], rel=1e-6)
    assert read.readings["WT-301"][0] == pytest.approx(13.6077711)
    assert read.readings["TT-201"].tolist() == pytest.approx([25.0, 0.0], abs=1e-9)
    assert read.throttle.tolist() == [0.25, 1.0]
    assert read.bits.tolist() == [1 << OUTPUT_TAGS.index("XV-101") | 1 << OUTPUT_TAGS.index("M-101"), 0]


def test_one_column_of_0_and_1_for_each_output_says_the_same_as_tags_in_one(tmp_path):
    tags = read_csv(written(tmp_path, "time [s],WT-301 [kg],outputs", "0,12,XV-301 M-101", "1,12,M-101"))
    columns = read_csv(written(tmp_path, "time [s],WT-301 [kg],M-101,XV-301", "0,12,1,1", "1,12,1,0"))
    assert columns.bits.tolist() == tags.bits.tolist()
    assert columns.known == tags.bits[0]


HEAD = "time [s],PT-101 [bar g],outputs"


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ((HEAD, "0,1,", "1,x,"), r'line 3, column "PT-101 \[bar g\]": "x" is no number'),
        ((HEAD, "0,1,", '1,"1,5",'), "line 3.*point instead of the comma"),
        ((HEAD, "0,1,", "0,1,"), r'line 3, column "time \[s\]".*times must rise'),
        ((HEAD, "0,1,", ",1,"), "line 3.*every line needs its time"),
        ((HEAD, "0,1"), "line 2 has 2 cells, the header 3"),
        ((HEAD, "0,1,XV-999", "1,1,"), 'line 2, column "outputs": there is no output "XV-999"'),
        (("time [s],PT-101,outputs", "0,1,", "1,1,"), 'column 2 "PT-101" says no unit'),
        (("time [s],PT-101 [bar],outputs", "0,1,", "1,1,"), 'column 2 .* does not say gauge or absolute'),
        (("time [s],PT-110 [bar g],outputs", "0,1,", "1,1,"), 'column 2 .*did you mean "PT-1'),
        (("time [s],PT-101 [bar g]", "0,1", "1,1"), "nothing says which outputs were on"),
        (("PT-101 [bar g],outputs", "1,", "1,"), 'there is no column of time; name one "time'),
        (("time [s],outputs", "0,", "1,"), "no column holds readings"),
        (("time [s],WT-301 [kg],WT-301 [lb],outputs", "0,1,1,", "1,1,1,"), "are the same; leave one out"),
        (("time [s],WT-301 [kg],M-101", "0,1,2", "1,1,0"), 'line 2, column "M-101": "2" must be 0 or 1'),
        (("time [s],WT-301 [kg],outputs,CV-103 [%]", "0,1,,250", "1,1,,0"), '"250" is no position'),
        ((HEAD, "0,1,"), "there are 1 lines of readings"),
        (("",), "line 1 must name the columns"),
    ],
)  # fmt: skip
def test_bad_csv_is_refused_with_line_or_column_and_what_to_write(tmp_path, lines, words):
    with pytest.raises(RecordingError, match=words) as caught:
        read_csv(written(tmp_path, *lines))
    assert "run.csv" in str(caught.value)


def test_a_journal_reads_back_as_the_scans_that_went_in(tmp_path, short):
    records, settings = short
    with Journal(tmp_path / "job.journal", settings, capacity=100_000) as journal:
        for record in records:
            journal.offer(record)
    read, direct = load(tmp_path / "job.journal"), from_records("", records, settings)
    assert np.array_equal(read.times_s, direct.times_s)
    assert np.array_equal(read.bits, direct.bits)
    assert np.array_equal(read.throttle, direct.throttle)
    assert read.phases == direct.phases
    assert set(read.readings) == set(direct.readings) >= {"PT-101", "PT-201", "WT-301", "TT-201"}
    for tag, column in direct.readings.items():
        assert np.array_equal(read.readings[tag], column, equal_nan=True)


@pytest.mark.parametrize(
    ("column", "before", "after", "why"),
    [
        ("phase", "vapor", "held", "a hold in which a hand comes in"),
        ("phase", "vapor", "complete", "the end of the job"),
        ("WT-301 [kg]", "20", "13", "cylinder change or a knock"),
    ],
)
def test_the_part_that_is_used_ends_where_a_person_comes_in(tmp_path, column, before, after, why):
    lines = [f"time [s],PT-101 [bar g],outputs,{column}"]
    lines += [f"{t},1,{'' if t < 20 else 'M-101'},{before if t < 40 else after}" for t in range(60)]
    first, last, told = used_part(read_csv(written(tmp_path, *lines)))
    assert first == 0  # time at rest counts
    assert last in (39, 40)
    assert why in told


def test_a_run_without_what_the_rig_has_is_refused(tmp_path):
    lines = ["time [s],PT-101 [bar g],M-101"] + [f"{t},1,{int(t > 5)}" for t in range(60)]
    with pytest.raises(RecordingError, match=r"the rig has XV-101, .* add a column of 0 and 1"):
        run_of(read_csv(written(tmp_path, *lines)), simulation().settings, ("PT-101",))


# ---- the pieces ------------------------------------------------------------------------------------------


def test_the_lag_of_an_instrument_follows_a_ramp_as_the_closed_form_says():
    # First-order system under a unit ramp: t - tau (1 - exp(-t/tau)); any textbook of control.
    times, lag_s = np.array([0.0, 0.3, 1.0, 4.0, 4.1, 9.0]), 3.0
    shown = estimate._lagged(times, times[:, None].copy(), np.array([lag_s]))[:, 0]
    assert shown == pytest.approx(times - lag_s * (1.0 - np.exp(-times / lag_s)))


def test_the_long_run_variance_of_an_autoregressive_series_is_that_of_the_textbook():
    # x[n] = a x[n-1] + e[n] with e of variance 1: 1 / (1 - a)^2, the spectrum at frequency 0 (Priestley 1981).
    random = np.random.default_rng(1)
    for a in (0.0, 0.6, 0.9):
        series = np.zeros(20_000)
        noise = random.standard_normal(len(series))
        for n in range(1, len(series)):
            series[n] = a * series[n - 1] + noise[n]
        assert estimate._long_run_variance(series) == pytest.approx(1.0 / (1.0 - a) ** 2, rel=0.25)


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (("rig.two_inlets",), "is a yes or no"),
        (("rig.nothing_kg",), "there is no parameter rig.nothing_kg"),
        (("appliance.ncg_mol",), "needs a start from"),
        ((), "there is nothing to estimate"),
    ],
)
def test_what_cannot_be_estimated_is_refused(names, words):
    with pytest.raises(estimate.FitError, match=words):
        estimate.free_parameters(simulation().parameters, names)


# ---- fits ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seed", "factors"), [(11, (0.96, 1.5, 0.7)), (12, (1.05, 0.7, 1.4))]
)  # fmt: skip
def test_hidden_parameters_are_found_again_within_the_errors_that_are_stated(seed, factors):
    start = simulation().parameters
    truth = {name: estimate.value_of(start, name) * factor for name, factor in zip(FREE, factors, strict=True)}
    solved = problem(from_records("run", *scans(150.0, seed, **truth)), FREE).solve()
    for one in solved.estimates:
        assert one.identified, one.verdict
        # Four standard errors: one in 16000 by chance, and a wrong sign or scale misses by tens.
        assert abs(math.log(one.value / truth[one.name])) < 4.0 * one.relative_sd
        assert abs(math.log(one.start / truth[one.name])) > 4.0 * one.relative_sd  # the start would not pass
        assert one.relative_sd < 0.5 * one.prior_sd
    assert solved.chi_square < 0.5 * solved.start_chi_square


@pytest.fixture(scope="module")
def blind(short):
    """A fit of what does not show: oil in a run that ends before vapor, and two restrictions of one way."""
    names = ("appliance.desorption_time_cold_s", "appliance.port_kv_m3_h", "rig.inlet_valve_kv_m3_h")
    return problem(from_records("short", *short), names).solve()


def test_what_a_run_does_not_show_is_said_to_be_no_better_known_than_before(blind):
    oil = blind.estimates[0]
    assert not oil.identified
    assert "no better than before" in oil.verdict
    assert oil.value == pytest.approx(oil.start, rel=0.5)


def test_restrictions_in_series_are_said_not_to_be_told_apart(blind):
    port, inlet = blind.estimates[1:]
    assert "told apart from rig.inlet_valve_kv_m3_h" in port.verdict
    assert "told apart from appliance.port_kv_m3_h" in inlet.verdict
    assert port.correlation > 0.9


def test_what_restrictions_in_series_make_together_is_known_all_the_same(blind):
    port, inlet = blind.estimates[1:]
    parameters = simulation().parameters
    for way in blind.ways:
        # Equal flow, added drops; the run was made with the figures in the files.
        truth = sum(estimate.value_of(parameters, name) ** -2.0 for name in way.names) ** -0.5
        assert abs(math.log(way.kv_m3_h / truth)) < 4.0 * way.relative_sd
        assert way.relative_sd < 0.3 * min(port.relative_sd, inlet.relative_sd)
    assert {name for way in blind.ways for name in way.names} >= {port.name, inlet.name}


def test_a_fit_that_does_not_explain_its_run_claims_to_know_nothing():
    # A compressor that has lost a third of its flow, and nothing free that could say so.
    recording = from_records("run", *scans(110.0, 13, **{"rig.leak_factor": 0.6}))
    solved = problem(recording, FREE[1:2]).solve()
    assert solved.chi_square > 9.0
    assert not any(one.identified for one in solved.estimates)
    assert "does not explain" in solved.notes[0]


def test_the_truth_in_a_simulated_file_is_never_used(tmp_path):
    path, other = tmp_path / "run.csv", tmp_path / "scrambled.csv"
    done = hil_sim("run", "--setup", SETUP, "--until", "60 s", "--csv", path)
    assert done.returncode == 6, done.stderr
    with path.open(newline="") as stream:
        lines = list(csv.reader(stream))
    lines[1:] = [
        ["-9e9" if head.startswith("true_") else cell for head, cell in zip(lines[0], line, strict=True)]
        for line in lines[1:]
    ]
    with other.open("w", newline="") as stream:
        csv.writer(stream).writerows(lines)
    first, second = (problem(read_csv(each), FREE[2:]).solve() for each in (path, other))
    assert first.estimates == second.estimates
    assert first.chi_square == second.chi_square


def test_the_written_plant_is_the_fitted_one(tmp_path):
    made = simulation()
    parameters = made.bench(1).plant.parameters
    values = {"rig.leak_factor": 0.871234, "rig.clearance": 0.03123, "cylinder.inner_ua_w_k": 312.7}
    values |= {"appliance.desorption_time_cold_s": 1500.0}
    values |= {"appliance.desorption_time_warm_s": 300.0, "appliance.desorption_time_foaming_s": 150.0}
    fitted = estimate.with_values(parameters, values)
    estimates = [
        estimate.Estimate(one.name, one.start, values[one.name], 0.01, one.width, (), 0.0, "")
        for one in estimate.free_parameters(parameters, list(values)[:4])
    ]
    source = report.Source(
        "split-ac", "full", SETUP, "split-ac", find("jobs", "split-ac"), find("rigs", "full"),
        {"ambient": {"temperature_degc": 31.0}},
    )  # fmt: skip
    files = report.write_plant(tmp_path / "plant.toml", source, estimates, fitted, ["run"], residual_in_job=False)
    assert [path.name for path in files] == ["plant.toml", "plant-rig.toml"]
    _, again = prepare_scenario(tmp_path / "plant.toml")
    read = again.bench(1).plant.parameters
    for name, value in values.items():
        assert estimate.value_of(read, name) == pytest.approx(value, rel=1e-5)
    assert read.ambient.temperature_degc == 31.0
    assert again.settings.compressor.leak_factor == pytest.approx(0.871234, rel=1e-5)
    assert read.appliance == replace(fitted.appliance, **{
        item: getattr(read.appliance, item)
        for item in ("desorption_time_cold_s", "desorption_time_warm_s", "desorption_time_foaming_s")
    })  # fmt: skip


# ---- the command -----------------------------------------------------------------------------------------


def test_the_command_fits_writes_and_its_file_passes_its_own_check(tmp_path, short):
    records, settings = short
    with Journal(tmp_path / "job.journal", settings, capacity=100_000) as journal:
        for record in records:
            journal.offer(record)
    plant, plot = tmp_path / "plant.toml", tmp_path / "plot.svg"
    done = hil_sim(
        "fit", tmp_path / "job.journal", "--setup", SETUP, "--free", "appliance.refrigerant_ua_wet", "--out", plant,
        "--plot", plot, "--json",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    one = answer["parameters"][0]
    assert one["name"] == "appliance.refrigerant_ua_wet_w_k"
    assert one["value"] == pytest.approx(500.0, rel=0.1)  # what the simulated run was made with
    picture = plot.read_text(encoding="utf-8")
    assert picture.startswith("<?xml")
    checked = hil_sim("fit", tmp_path / "job.journal", "--check", plant, "--json")
    assert checked.returncode == 0, checked.stderr
    assert json.loads(checked.stdout)["chi_square"] == pytest.approx(answer["chi_square"], rel=0.1)
    again = hil_sim("fit", tmp_path / "job.journal", "--setup", SETUP, "--out", plant)
    refused(again, "plant.toml is there already")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("nothing.csv",), "nothing.csv: there is no such file"),
        (("nothing.csv", "--free", "rig.manifold"), 'no parameter "rig.manifold"; did you mean "rig.manifold_kv"'),
        (("nothing.csv", "--noise", "PT-101=3 kg"), "--noise PT-101=3 kg: .*pressure difference"),
        (("nothing.csv", "--noise", "PT-999=3 kPa"), 'this rig has no "PT-999"'),
        (("nothing.csv", "--scenario", "knocked-scale"), "a fit knows no faults"),
        (("nothing.csv", "--scenario", "cold-day", "--job", "split-ac"), "--job cannot go with the scenario"),
        (("nothing.csv", "--check", "x.toml", "--free", "rig.clearance"), "--check estimates nothing"),
    ],
)
def test_the_command_refuses_with_one_sentence(options, words):
    refused(hil_sim("fit", *options), words)
