"""The drivers of what is on the board itself: GPIO lines, converters by sysfs, thermometers by sysfs."""

import inspect
import os
import re
import threading
import time
from fractions import Fraction
from math import inf, isnan, nan
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from hil_sim.wire.gpio_stand_in.gpiod.line import Bias, Direction, Value
from rigctl.control.readings import Fault
from rigctl.control.settings import Fitted
from rigctl.hardware import gpio, iio, one_wire, sysfs, wiring
from rigctl.hardware.driver import DriverError, Wire, WiringError, Worker
from tests.waiting import PATIENCE_S, until

# ---- GPIO ------------------------------------------------------------------------------------------------


class LineSettings:
    def __init__(
        self, direction=Direction.AS_IS, edge_detection=None, bias=Bias.AS_IS, drive=None, active_low=False,
        debounce_period=None, event_clock=None, output_value=Value.INACTIVE,
    ):  # fmt: skip
        self.direction, self.bias, self.active_low, self.output_value = direction, bias, active_low, output_value


class LineRequest:
    """What the kernel would hold: the electrical level of every line, which the rig's wires may force."""

    def __init__(self, chip, config, consumer):
        self.chip, self.consumer, self.released, self.calls = chip, consumer, False, []
        self.error, self.lie = None, None
        self.settings = {
            line: one for key, one in config.items() for line in (key if isinstance(key, tuple) else (key,))
        }
        self.high = {line: self._electrical(line, one.output_value) for line, one in self.settings.items()}
        self.stuck = {}

    def _electrical(self, line, value):
        return (value is Value.ACTIVE) is not self.settings[line].active_low

    def get_values(self, lines=None):
        self.calls.append(("get", lines))
        if self.error is not None:
            raise self.error
        if self.lie is not None:
            return self.lie
        levels = self.high | self.stuck
        return [
            Value.ACTIVE if levels[line] is not self.settings[line].active_low else Value.INACTIVE
            for line in (lines or self.settings)
        ]

    def set_values(self, values):
        self.calls.append(("set", dict(values)))
        if self.error is not None:
            raise self.error
        for line, value in values.items():
            assert self.settings[line].direction is Direction.OUTPUT
            self.high[line] = self._electrical(line, value)

    def release(self):
        self.released = True


class Gpiod:
    """A gpiod module without a chip."""

    def __init__(self):
        self.line = SimpleNamespace(Direction=Direction, Bias=Bias, Value=Value)
        self.LineSettings, self.requests, self.refuses = LineSettings, [], None

    def request_lines(self, path, config, consumer=None, event_buffer_size=None, output_values=None):
        if self.refuses is not None:
            raise self.refuses
        self.requests.append(LineRequest(path, config, consumer))
        return self.requests[-1]


WIRES = (
    Wire("PSH-201", False, {"line": 4, "bias": "pull-up", "active_low": True}),
    Wire("FS-001", False, {"line": "GPIO5"}),
    Wire("XV-101", True, {"line": 17}),
    Wire("M-101", True, {"line": 18, "active_low": True}),
)
CHIP = {"chip": "/dev/gpiochip0"}


@pytest.fixture
def gpiod(monkeypatch):
    fake = Gpiod()
    monkeypatch.setattr(gpio, "_library", lambda: fake)
    return fake


def test_the_stand_in_for_gpiod_takes_the_same_calls_as_the_real_one():
    real = pytest.importorskip("gpiod")

    def shape(function):
        return [(p.name, p.kind, p.default is p.empty) for p in inspect.signature(function).parameters.values()]

    assert shape(Gpiod().request_lines) == shape(real.request_lines)
    assert shape(LineSettings) == shape(real.LineSettings)
    for name in ("get_values", "set_values", "release"):
        assert shape(getattr(LineRequest, name)) == shape(getattr(real.LineRequest, name))
    for mine in (Direction, Bias, Value):
        assert {one.name: one.value for one in mine} == {
            one.name: one.value for one in getattr(real.line, mine.__name__)
        }
    assert real.LineSettings().output_value is real.line.Value.INACTIVE


def test_the_real_library_says_that_there_is_no_such_chip():
    pytest.importorskip("gpiod")
    driver = gpio.make("gpio", {"chip": "/dev/no-such-gpiochip"}, WIRES)
    with pytest.raises(DriverError, match="/dev/no-such-gpiochip cannot be opened"):
        driver.open()


def test_a_machine_without_the_library_checks_a_wiring_and_says_what_to_install(monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "gpiod", None)
    driver = gpio.make("gpio", CHIP, WIRES)
    with pytest.raises(DriverError, match=r"in the checkout: pip install '\.\[gpio\]'"):
        driver.open()


def test_all_lines_are_one_request_and_outputs_begin_inactive(gpiod):
    driver = gpio.make("gpio", CHIP, WIRES)
    driver.open()
    (request,) = gpiod.requests
    assert (request.chip, request.consumer) == ("/dev/gpiochip0", "rigctl")
    assert set(request.settings) == {4, "GPIO5", 17, 18}
    assert request.settings[4].bias is Bias.PULL_UP
    assert request.settings[4].active_low
    assert request.settings["GPIO5"].bias is Bias.AS_IS
    assert request.high[17] is False  # valve relay without current
    assert request.high[18] is True  # low would be on


def test_inputs_come_in_one_call_and_outputs_go_in_one_and_are_read_back(gpiod):
    driver = gpio.make("gpio", CHIP, WIRES)
    driver.open()
    (request,) = gpiod.requests
    request.stuck = {4: False, "GPIO5": True}
    before_s = time.monotonic()
    samples = driver.read()
    assert {tag: s.raw for tag, s in samples.items()} == {"PSH-201": 1.0, "FS-001": 1.0}
    assert all(s.fault is None and before_s <= s.taken_at_s <= time.monotonic() for s in samples.values())
    assert request.calls == [("get", [4, "GPIO5"])]
    request.calls.clear()
    assert driver.write({"XV-101": 1.0, "M-101": 1.0}) == {"XV-101": 1.0, "M-101": 1.0}
    assert [name for name, _ in request.calls] == ["set", "get"]
    assert request.high[18] is False
    request.stuck = {17: True}  # a welded relay driver
    assert driver.write({"XV-101": 0.0, "M-101": 0.0}) == {"XV-101": 1.0, "M-101": 0.0}


@pytest.mark.parametrize("share", [nan, inf, -inf, 0.5])
def test_a_command_that_is_no_number_or_missing_is_inactive(gpiod, share):
    driver = gpio.make("gpio", CHIP, WIRES)
    driver.open()
    driver.write({"XV-101": 1.0, "M-101": 1.0})
    assert driver.write({"XV-101": share}) == {"XV-101": 0.0, "M-101": 0.0}


def test_closing_sets_outputs_inactive_and_lets_the_lines_go_even_of_a_dead_chip(gpiod):
    driver = gpio.make("gpio", CHIP, WIRES)
    driver.close()
    driver.open()
    driver.write({"XV-101": 1.0, "M-101": 1.0})
    driver.close()
    assert gpiod.requests[0].high | {4: 0, "GPIO5": 0} == {4: 0, "GPIO5": 0, 17: False, 18: True}
    assert gpiod.requests[0].released
    driver.open()
    gpiod.requests[1].error = OSError(19, "No such device")
    driver.close()
    assert gpiod.requests[1].released
    for call in (driver.read, lambda: driver.write({"XV-101": 1.0})):
        with pytest.raises(DriverError, match="/dev/gpiochip0 is not open"):
            call()


@pytest.mark.parametrize(
    "error", [OSError(16, "Device or resource busy"), ValueError("unknown line name"), KeyError("x")]
)
def test_trouble_of_the_chip_is_one_sentence_with_its_name(gpiod, error):
    driver = gpio.make("gpio", CHIP, WIRES)
    gpiod.refuses = error
    with pytest.raises(DriverError, match="/dev/gpiochip0 cannot be opened"):
        driver.open()
    gpiod.refuses = None
    driver.open()
    gpiod.requests[0].error = error
    with pytest.raises(DriverError, match="/dev/gpiochip0 does not answer"):
        driver.read()
    with pytest.raises(DriverError, match="/dev/gpiochip0 cannot be set"):
        driver.write({"XV-101": 1.0})


@pytest.mark.parametrize("lie", [[], [Value.ACTIVE], [Value.ACTIVE, None], [Value.ACTIVE, 7], [Value.ACTIVE] * 3])
def test_an_answer_that_does_not_fit_the_question_is_trouble(gpiod, lie):
    driver = gpio.make("gpio", CHIP, WIRES)
    driver.open()
    gpiod.requests[0].lie = lie
    with pytest.raises(DriverError, match="answers 2 lines with"):
        driver.read()


def test_a_worker_whose_chip_dies_and_comes_back_writes_the_newest_command(gpiod):
    worker = Worker("io", gpio.make("gpio", CHIP, WIRES), 0.01)
    worker.command({"XV-101": 1.0, "M-101": 0.0})
    worker.start()
    assert until(lambda: worker.exchanges > 2)
    gpiod.requests[0].error = OSError(5, "Input/output error")
    assert until(lambda: worker.trouble)
    assert until(lambda: len(gpiod.requests) > 1 and not worker.trouble)
    assert worker.readback == {"XV-101": 1.0, "M-101": 0.0}
    worker.command({"XV-101": 0.0, "M-101": 0.0})
    assert worker.stop(PATIENCE_S)
    assert gpiod.requests[-1].released
    assert gpiod.requests[-1].high[17] is False


def test_an_inverted_gpio_output_is_refused_since_its_safe_level_would_energise():
    raw = {"drivers": {"io": {"kind": "gpio", "chip": "/dev/gpiochip0"}}}
    raw["points"] = {tag: {"driver": "io", "line": n} for n, tag in enumerate(wiring.wanted(Fitted()))}
    for tag in ("PT-101", "PT-201", "WT-301"):
        unit = "kg" if tag == "WT-301" else "kPa abs"
        raw["points"][tag]["unit"] = unit
    wiring.load(raw, Fitted()).drivers()
    raw["points"]["XV-301"]["inverted"] = True
    with pytest.raises(WiringError, match=r'"XV-301"\.inverted: .* active_low = true'):
        wiring.load(raw, Fitted())


# ---- wrong wiring, all three -----------------------------------------------------------------------------

INPUT, OUTPUT = ("PT-101", False), ("XV-101", True)


@pytest.mark.parametrize(
    ("module", "options", "wires", "words"),
    [
        (gpio, {}, [], r"^chip: missing; write chip = "),
        (gpio, {"chip": 0}, [], r"^chip: .* will not do \(expected str, got int\); write chip = "),
        (gpio, CHIP | {"chipp": 1}, [], r"^chipp: unknown key; known here: chip\."),
        (gpio, CHIP, [(*INPUT, {})], r'^points\."PT-101"\.line: missing; write line = 17'),
        (gpio, CHIP, [(*INPUT, {"line": 1.5})], r'^points\."PT-101"\.line: .* \(expected int \| str, got float\)'),
        (gpio, CHIP, [(*INPUT, {"line": True})], r"\.line: .* \(expected int \| str, got bool\)"),
        (gpio, CHIP, [(*INPUT, {"line": -1})], r"\.line: -1 is no line; write line = 17"),
        (gpio, CHIP, [(*INPUT, {"line": ""})], r"\.line: '' is no line"),
        (gpio, CHIP, [(*INPUT, {"line": 1, "active_low": 1})], r"\.active_low: .* \(expected bool, got int\)"),
        (gpio, CHIP, [(*INPUT, {"line": 1, "bias": "up"})], r"\.bias: .* \(invalid enum value 'up'\)"),
        (gpio, CHIP, [(*OUTPUT, {"line": 1, "bias": "pull-up"})], r"\.bias: only an input has a bias; remove it"),
        (gpio, CHIP, [(*INPUT, {"line": 1}), (*OUTPUT, {"line": 1})], r"\.line: 1 is PT-101 already; write its own"),
        (gpio, CHIP, [(*INPUT, {"line": 1, "pull": "up"})], r'"PT-101"\.pull: unknown key; known here: line, active'),
        (iio, {"root": 1}, [], r"^root: .* will not do \(expected str, got int\); write root = "),
        (iio, {}, [(*INPUT, {"device": "iio:device0"})], r"\.channel: missing; write channel = "),
        (iio, {}, [(*INPUT, {"device": "../x", "channel": "in_voltage0"})], r"\.device: .* \(no usable name\)"),
        (iio, {}, [(*INPUT, {"device": "a", "channel": "voltage0"})], r"\.channel: .* will not do \(no usable name\)"),
        (iio, {}, [(*INPUT, {"device": "a", "channel": "out_voltage0"})], r"write one that begins with in_"),
        (iio, {}, [(*OUTPUT, {"device": "a", "channel": "in_voltage0"})], r"write one that begins with out_"),
        (
            iio, {}, [(tag, True, {"device": "a", "channel": "out_voltage0"}) for tag in ("CV-103", "XV-101")],
            r"two of CV-103, XV-101 have the same channel",
        ),
        (one_wire, {"bulk": "../x"}, [], r"^bulk: "),
        (one_wire, {"bus": 1}, [], r"^bus: unknown key; known here: root, bulk\."),
        (one_wire, {}, [(*INPUT, {"id": "28-XYZ"})], r"\.id: .* will not do \(no usable name\); write id = "),
        (one_wire, {}, [(*OUTPUT, {"id": "28-0000054c8a1b"})], r"is no output; wire it to another driver"),
        (
            one_wire, {}, [(tag, False, {"id": "28-0000054c8a1b"}) for tag in ("TT-101", "TT-201")],
            r'^points\."TT-201"\.id: 28-0000054c8a1b is another point already',
        ),
    ],
)  # fmt: skip
def test_a_wrong_option_or_address_is_refused_in_one_sentence(module, options, wires, words):
    with pytest.raises(WiringError) as refused:
        module.make("kind", options, [Wire(*wire) for wire in wires])
    assert re.search(words, str(refused.value))
    assert len(str(refused.value).splitlines()) == 1


# ---- IIO -------------------------------------------------------------------------------------------------


def folder_with(path: Path, **files: str) -> Path:
    path.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (path / name).write_text(text)
    return path


def an_iio(root, *channels, device="iio:device0", output=False):
    wires = [Wire(f"P{n}", output, {"device": device, "channel": channel}) for n, channel in enumerate(channels)]
    driver = iio.make("iio", {"root": str(root)}, wires)
    driver.open()
    return driver


@pytest.mark.parametrize(
    ("channel", "files", "value"),
    [
        # Linux ABI: millivolts = (raw + offset) * scale.
        (
            "in_voltage0",
            {"in_voltage0_raw": "100\n", "in_voltage0_offset": "-20\n", "in_voltage0_scale": "0.5\n"},
            40.0,
        ),
        ("in_voltage0", {"in_voltage0_raw": "1000\n", "in_voltage_scale": "0.187500\n"}, 187.5),
        ("in_voltage0", {"in_voltage0_raw": "8\n", "in_voltage0_scale": "2\n", "in_voltage_scale": "99\n"}, 16.0),
        ("in_voltage0", {"in_voltage0_raw": "8\n", "scale": "4\n", "in_offset": "1\n"}, 36.0),
        ("in_voltage0-voltage1", {"in_voltage0-voltage1_raw": "-7\n", "in_voltage-voltage_scale": "3\n"}, -21.0),
        ("in_temp_ambient", {"in_temp_ambient_raw": "50\n", "in_temp_scale": "500\n"}, 25000.0),
        ("in_temp", {"in_temp_input": "23125\n", "in_temp_scale": "9\n"}, 23125.0),
        ("in_temp", {"in_temp_raw": "1\n", "in_temp_input": "23125\n"}, 1.0),
    ],
)
def test_a_channel_is_worth_raw_plus_offset_times_scale(tmp_path, channel, files, value):
    folder_with(tmp_path / "iio:device0", **files)
    before_s = time.monotonic()
    (sample,) = an_iio(tmp_path, channel).read().values()
    assert (sample.raw, sample.fault) == (pytest.approx(value), None)
    assert before_s <= sample.taken_at_s <= time.monotonic()


def test_a_device_is_found_by_its_name_and_two_of_a_name_are_not_guessed(tmp_path):
    folder_with(tmp_path / "iio:device0", name="adc-a\n", in_voltage0_raw="1\n")
    folder_with(tmp_path / "iio:device1", name="ads1115\n", in_voltage0_raw="2\n")
    assert an_iio(tmp_path, "in_voltage0", device="ads1115").read()["P0"].raw == 2.0
    folder_with(tmp_path / "iio:device2", name="ads1115\n")
    with pytest.raises(DriverError, match="one device ads1115; there are iio:device1, iio:device2"):
        an_iio(tmp_path, "in_voltage0", device="ads1115")
    with pytest.raises(DriverError, match="one device nobody; there is none"):
        an_iio(tmp_path, "in_voltage0", device="nobody")
    with pytest.raises(DriverError, match="cannot be read: No such file"):
        an_iio(tmp_path / "away", "in_voltage0")


@pytest.mark.parametrize("attribute", ["raw", "offset", "scale"])
@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (None, Fault.NO_REPLY), ("", Fault.FAILURE), ("12", Fault.FAILURE), ("\n", Fault.FAILURE),
        ("twelve\n", Fault.FAILURE), ("nan\n", Fault.FAILURE), ("inf\n", Fault.FAILURE), ("1_0\n", Fault.FAILURE),
        ("1e999\n", Fault.FAILURE), ("12\n13\n", Fault.FAILURE), ("0x10\n", Fault.FAILURE), ("1 2\n", Fault.FAILURE),
    ],
)  # fmt: skip
def test_a_file_that_goes_or_is_torn_or_lies_fails_this_channel_alone(tmp_path, attribute, text, fault):
    folder = folder_with(
        tmp_path / "iio:device0", in_voltage0_raw="5\n", in_voltage0_offset="1\n", in_voltage0_scale="2\n",
        in_voltage1_raw="7\n",
    )  # fmt: skip
    driver = an_iio(tmp_path, "in_voltage0", "in_voltage1")
    assert driver.read()["P0"].raw == 12.0
    file = folder / f"in_voltage0_{attribute}"
    file.unlink()
    if text is not None:
        file.write_text(text)
    samples = driver.read()
    assert samples["P0"].fault is fault
    assert isnan(samples["P0"].raw)
    assert samples["P1"].raw == 7.0


def test_a_device_that_goes_is_trouble_by_name(tmp_path):
    folder = folder_with(tmp_path / "iio:device0", in_voltage0_raw="5\n")
    driver = an_iio(tmp_path, "in_voltage0")
    folder.rename(tmp_path / "gone")
    with pytest.raises(DriverError, match="iio:device0 is gone"):
        driver.read()
    driver.close()
    with pytest.raises(DriverError, match="is not open"):
        driver.read()


def test_a_pipe_that_nobody_fills_does_not_hold_the_driver(tmp_path):
    folder = folder_with(tmp_path / "iio:device0")
    os.mkfifo(folder / "in_voltage0_raw")
    driver = an_iio(tmp_path, "in_voltage0")
    assert done_in_time(driver.read)["P0"].fault is Fault.FAILURE  # empty
    writer = os.open(folder / "in_voltage0_raw", os.O_RDWR)
    try:
        assert done_in_time(driver.read)["P0"].fault is Fault.NO_REPLY  # open, and silent
    finally:
        os.close(writer)


def done_in_time(call):
    """What a call returns that might wait for ever."""
    found = []
    thread = threading.Thread(target=lambda: found.append(call()), daemon=True)
    thread.start()
    thread.join(PATIENCE_S)
    assert found, "still waits"
    return found[0]


def test_a_slow_file_makes_the_sample_older_not_younger(tmp_path, monkeypatch):
    folder_with(tmp_path / "iio:device0", in_voltage0_raw="5\n")
    driver = an_iio(tmp_path, "in_voltage0")
    quick, clock = iio.sysfs.read, Clock()
    begun_s = clock.now_s
    monkeypatch.setattr(iio, "monotonic", clock)
    monkeypatch.setattr(iio.sysfs, "read", lambda path: (clock.sleep(0.2), quick(path))[1])
    assert driver.read()["P0"].taken_at_s == begun_s
    assert clock.now_s > begun_s


@pytest.mark.parametrize(
    ("available", "wanted", "counts"),
    [
        (None, 1234.4, 1234), (None, 1234.6, 1235), (None, -3.0, -3),
        ("[0 1 4095]\n", 5000.0, 4095), ("[0 1 4095]\n", -1.0, 0), ("0 1 2\n", 7.2, 7),
    ],
)  # fmt: skip
def test_an_output_is_written_in_whole_counts_inside_its_range_and_read_back(tmp_path, available, wanted, counts):
    folder = folder_with(tmp_path / "iio:device0", out_voltage0_raw="999999\n")
    if available is not None:
        (folder / "out_voltage_raw_available").write_text(available)
    driver = an_iio(tmp_path, "out_voltage0", output=True)
    assert driver.write({"P0": wanted}) == {"P0": float(counts)}
    assert (folder / "out_voltage0_raw").read_text() == f"{counts}\n"
    assert driver.read() == {}
    assert driver.write({}) == {}


def test_an_output_that_cannot_be_written_is_trouble_by_name(tmp_path):
    folder = folder_with(tmp_path / "iio:device0", out_voltage0_raw="0\n")
    driver = an_iio(tmp_path, "out_voltage0", output=True)
    for wanted in (nan, inf):
        with pytest.raises(DriverError, match=r"iio:device0 out_voltage0 cannot be set: .* is no number"):
            driver.write({"P0": wanted})
    assert (folder / "out_voltage0_raw").read_text() == "0\n"
    (folder / "out_voltage0_raw").unlink()
    with pytest.raises(DriverError, match="iio:device0 out_voltage0 cannot be set"):
        driver.write({"P0": 1.0})
    assert not (folder / "out_voltage0_raw").exists()


# ---- 1-Wire ----------------------------------------------------------------------------------------------

IDS = ("28-0000054c8a1b", "28-0000054c8a1c", "28-0000054c8a1d")
GOOD = "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n"
"""As the kernel's documentation of w1_therm shows it."""


class Clock:
    """A clock that goes on only while somebody sleeps."""

    now_s = 100.0

    def __call__(self):
        return self.now_s

    def sleep(self, for_s):
        self.now_s += for_s


def a_bus(root, count=1):
    driver = one_wire.make(
        "one-wire", {"root": str(root)}, [Wire(f"T{n}", False, {"id": IDS[n]}) for n in range(count)]
    )
    driver.open()
    return driver


@pytest.mark.parametrize(
    ("text", "degc", "fault"),
    [
        (GOOD, 23.125, None),
        (GOOD.replace("t=23125", "t=-1250"), -1.25, None),
        (GOOD.replace("t=23125", "t=125000"), 125.0, None),
        (GOOD.replace("t=23125", "t=-55000"), -55.0, None),
        (GOOD.replace("t=23125", "t=85062"), 85.062, None),  # the next step of 1/16 K is a temperature again
        (GOOD.replace("YES", "NO"), nan, Fault.NO_REPLY),
        (GOOD.replace("t=23125", "t=85000"), nan, Fault.FAILURE),
        (GOOD.replace("t=23125", "t=125062"), nan, Fault.OUT_OF_RANGE),
        (GOOD.replace("t=23125", "t=-55062"), nan, Fault.OUT_OF_RANGE),
        (GOOD.replace("t=23125", "t="), nan, Fault.FAILURE),
        (GOOD.replace("YES", "MAYBE"), nan, Fault.FAILURE),
        ("", nan, Fault.FAILURE),
    ],
)
def test_what_a_thermometer_says_is_judged_by_its_data_sheet(tmp_path, text, degc, fault):
    folder_with(tmp_path / IDS[0], w1_slave=text, temperature="99000\n")
    (sample,) = a_bus(tmp_path).read().values()
    assert sample.fault is fault
    assert sample.raw == degc or (isnan(sample.raw) and isnan(degc))


@pytest.mark.parametrize("length", range(len(GOOD)))
def test_a_file_torn_anywhere_says_nothing(tmp_path, length):
    folder_with(tmp_path / IDS[0], w1_slave=GOOD[:length])
    (sample,) = a_bus(tmp_path).read().values()
    assert sample.fault is Fault.FAILURE


@pytest.mark.parametrize(
    ("text", "degc", "fault"),
    [
        ("23125\n", 23.125, None), ("-1250\n", -1.25, None), ("85000\n", nan, Fault.FAILURE),
        ("2312", nan, Fault.FAILURE), ("200000\n", nan, Fault.OUT_OF_RANGE),
    ],
)  # fmt: skip
def test_a_sensor_without_w1_slave_is_read_by_its_temperature(tmp_path, text, degc, fault):
    folder_with(tmp_path / IDS[0], temperature=text)
    (sample,) = a_bus(tmp_path).read().values()
    assert sample.fault is fault
    assert sample.raw == degc or (isnan(sample.raw) and isnan(degc))


def test_one_sensor_is_asked_at_a_time_and_keeps_its_own_time(tmp_path, monkeypatch):
    asked = []
    quick = one_wire.sysfs.read
    monkeypatch.setattr(one_wire.sysfs, "read", lambda path: (asked.append(path.parent.name), quick(path))[1])
    for number, name in enumerate(IDS):
        folder_with(tmp_path / name, temperature=f"{number}000\n")
    driver = a_bus(tmp_path, 3)
    assert list(driver.read()) == ["T0"]
    assert list(driver.read()) == ["T0", "T1"]
    first = driver.read()
    assert {tag: sample.raw for tag, sample in first.items()} == {"T0": 0.0, "T1": 1.0, "T2": 2.0}
    assert asked == list(IDS)
    again = driver.read()
    assert again["T0"].taken_at_s > first["T2"].taken_at_s
    assert (again["T1"], again["T2"]) == (first["T1"], first["T2"])
    assert driver.write({}) == {}


class Kernel(threading.Thread):
    """Stands in for w1_therm: a conversion of all sensors takes its time, and fills their files."""

    def __init__(self, root, takes_s=0.1):
        super().__init__(daemon=True)
        self.file = folder_with(root / "w1_bus_master1", therm_bulk_read="0\n") / "therm_bulk_read"
        self.root, self.takes_s, self.conversions, self.asked = root, takes_s, 0, threading.Event()
        for name in IDS:
            folder_with(root / name, temperature="0\n")

    def write(self, path, text):
        assert (path, text) == (self.file, "trigger\n")
        self.say("-1\n")
        self.asked.set()

    def run(self):
        while self.asked.wait(PATIENCE_S):
            self.asked.clear()
            time.sleep(self.takes_s)
            self.conversions += 1
            for number, name in enumerate(IDS):
                (self.root / name / "temperature").write_text(f"{10 * self.conversions + number}000\n")
            self.say("1\n")

    def say(self, text):
        beside = self.file.with_name("new")
        beside.write_text(text)
        beside.replace(self.file)


def bulk_bus(root):
    wires = [Wire(f"T{n}", False, {"id": name}) for n, name in enumerate(IDS)]
    driver = one_wire.make("one-wire", {"root": str(root), "bulk": "w1_bus_master1"}, wires)
    driver.open()
    return driver


def test_with_the_name_of_the_bus_all_sensors_convert_together(tmp_path, monkeypatch):
    """One conversion for all: none is older than that and the reading, whatever their number."""
    kernel = Kernel(tmp_path)
    kernel.start()
    monkeypatch.setattr(one_wire.sysfs, "write", kernel.write)
    monkeypatch.setattr(one_wire, "BULK_MOST_S", PATIENCE_S)
    driver = bulk_bus(tmp_path)
    before_s = time.monotonic()
    first = driver.read()
    assert {tag: sample.raw for tag, sample in first.items()} == {"T0": 10.0, "T1": 11.0, "T2": 12.0}
    assert all(before_s + 0.1 <= sample.taken_at_s <= time.monotonic() for sample in first.values())
    assert {tag: sample.raw for tag, sample in driver.read().items()} == {"T0": 20.0, "T1": 21.0, "T2": 22.0}
    assert kernel.conversions == 2


def test_a_bus_that_does_not_convert_together_is_told(tmp_path, monkeypatch):
    clock = Clock()
    monkeypatch.setattr(one_wire, "monotonic", clock)
    monkeypatch.setattr(one_wire, "sleep", clock.sleep)
    root = folder_with(tmp_path / IDS[0], temperature="1000\n").parent
    with pytest.raises(DriverError, match="is the bus named rightly, and the kernel new enough"):
        bulk_bus(root).read()
    folder_with(root / "w1_bus_master1", therm_bulk_read="0\n")
    monkeypatch.setattr(one_wire.sysfs, "write", lambda path, text: None)
    for said, waits_s in (("0\n", 0.0), ("-1\n", one_wire.BULK_MOST_S), ("", 0.0)):
        (root / "w1_bus_master1/therm_bulk_read").write_text(said)
        begun_s = clock.now_s
        with pytest.raises(DriverError, match="do not convert together"):
            bulk_bus(root).read()
        assert clock.now_s - begun_s == pytest.approx(waits_s, abs=0.02)
    assert sysfs.read(root / IDS[0] / "temperature") == "1000\n"


def test_a_sensor_that_comes_off_has_no_reply_and_the_others_go_on(tmp_path):
    for name in IDS[:2]:
        folder_with(tmp_path / name, w1_slave=GOOD)
    driver = a_bus(tmp_path, 2)
    driver.read()
    driver.read()
    (tmp_path / IDS[0]).rename(tmp_path / "gone")
    driver.read()
    samples = driver.read()
    assert samples["T0"].fault is Fault.NO_REPLY
    assert samples["T1"].raw == 23.125


def test_a_bus_that_is_not_there_or_goes_is_trouble_by_name(tmp_path):
    with pytest.raises(DriverError, match="away is not there: no 1-Wire bus"):
        a_bus(tmp_path / "away")
    root = folder_with(tmp_path / "bus" / IDS[0], temperature="1\n").parent
    driver = a_bus(root)
    root.rename(tmp_path / "gone")
    with pytest.raises(DriverError, match="bus is not there"):
        driver.read()
    driver.close()


def test_a_sensor_slower_than_its_conversion_gives_an_old_sample(tmp_path):
    folder = folder_with(tmp_path / IDS[0])
    driver = a_bus(tmp_path)
    quick, clock = one_wire.sysfs.read, Clock()
    begun_s = clock.now_s
    folder_with(folder, w1_slave=GOOD)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(one_wire, "monotonic", clock)
        patch.setattr(one_wire.sysfs, "read", lambda path: (clock.sleep(1.0), quick(path))[1])
        (sample,) = driver.read().values()
    assert sample.taken_at_s == pytest.approx(begun_s + 0.75), "DS18B20 data sheet: 750 ms at 12 bits"
    assert clock.now_s == begun_s + 1.0


def test_a_silent_pipe_in_place_of_a_sensor_does_not_hold_the_driver(tmp_path):
    os.mkfifo(folder_with(tmp_path / IDS[0]) / "w1_slave")
    assert done_in_time(a_bus(tmp_path).read)["T0"].fault is Fault.FAILURE


# ---- any text at all -------------------------------------------------------------------------------------

near = st.from_regex(r"\A[-+]?[0-9]{1,8}(\.[0-9]{0,4})?(e[-+]?[0-9]{1,3})?\n?\Z")
slaves = st.builds(
    lambda crc, number, cut: (GOOD.replace("YES", crc).replace("23125", number))[:cut],
    st.sampled_from(["YES", "NO", "Y", ""]), near | st.integers().map(str), st.integers(70, 120),
)  # fmt: skip
anything = st.binary(max_size=200) | (st.text(max_size=100) | near | slaves).map(lambda text: text.encode())
shared_folder = settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@shared_folder
@given(anything)
@example(b"1" * 5000)
@example("\u0661\u0662\n".encode())
def test_any_raw_file_gives_the_number_that_it_says_or_none(tmp_path, data):
    folder_with(tmp_path / "iio:device0", in_voltage0_raw="0\n")
    (tmp_path / "iio:device0" / "in_voltage0_raw").write_bytes(data)
    sample = an_iio(tmp_path, "in_voltage0").read()["P0"]
    if sample.fault is None:
        assert data.endswith(b"\n")
        assert sample.raw == float(Fraction(data.decode("ascii").strip()))  # the exact number, rounded once
    else:
        assert isnan(sample.raw)


@shared_folder
@given(anything)
@example(GOOD.encode())
@example(GOOD.replace("t=23125", "t=85000").encode())
@example((GOOD + GOOD).encode())
def test_any_w1_slave_gives_the_temperature_that_it_says_or_none(tmp_path, data):
    folder_with(tmp_path / IDS[0])
    (tmp_path / IDS[0] / "w1_slave").write_bytes(data)
    sample = a_bus(tmp_path).read()["T0"]
    if sample.fault is None:
        first, second, rest = data.decode("ascii").split("\n")
        assert first.endswith("YES")
        assert rest == ""
        assert sample.raw == float(Fraction(second.split("t=")[1]) / 1000)
        assert -55.0 <= sample.raw <= 125.0
        assert sample.raw != 85.0
    else:
        assert isnan(sample.raw)


@pytest.mark.parametrize("text", ["1e999\n", "-1e400\n", "nan\n", "1\n1\n", "", "1"])
def test_what_is_no_finite_number_in_a_line_is_no_number(text):
    with pytest.raises(ValueError, match="number"):
        sysfs.number(text)


# ---- from the file of a rig to a reading -----------------------------------------------------------------


def test_a_loop_on_a_shunt_and_a_thermometer_become_readings_in_si_and_go_with_their_files(tmp_path):
    folder_with(tmp_path / "iio:device0", name="ads1115\n", in_voltage0_raw="16000\n", in_voltage_scale="0.125\n")
    folder_with(tmp_path / IDS[0], w1_slave=GOOD)
    raw = {
        "drivers": {
            "adc": {"kind": "iio", "root": str(tmp_path), "period": "10 ms", "stale": "10 s"},
            "bus": {"kind": "one-wire", "root": str(tmp_path), "period": "10 ms", "stale": "10 s"},
            "io": {"kind": "gpio", "chip": "/dev/gpiochip0"},
        },
        "points": {tag: {"driver": "io", "line": n} for n, tag in enumerate(wiring.wanted(Fitted(tt_201=True)))},
    }
    loop = {"driver": "adc", "device": "ads1115", "channel": "in_voltage0", "signal": "4-20 mA", "scale": 1 / 150}
    raw["points"]["PT-101"] = loop | {"span": ["0 bar g", "40 bar g"]}
    raw["points"]["PT-201"] = loop | {"span": ["0 bar g", "40 bar g"], "channel": "in_voltage1"}
    raw["points"]["WT-301"]["unit"] = "kg"
    raw["points"]["TT-201"] = {"driver": "bus", "id": IDS[0], "unit": "degC"}
    rig = wiring.load(raw, Fitted(tt_201=True))
    drivers = rig.drivers()
    workers = {name: Worker(name, drivers[name], rig.stations[name].period_s) for name in ("adc", "bus")}
    for worker in workers.values():
        worker.start()

    def readings():
        samples = {name: worker.samples for name, worker in workers.items()}
        return wiring.readings_of(rig, samples, time.monotonic())

    assert until(lambda: all(worker.exchanges for worker in workers.values()))
    found = readings()
    # 16000 x 0.125 mV = 2 V over 150 ohm = 13.333 mA: 9.333 of 16 mA of 40 bar are 23.333 bar g.
    assert found["pt_101_pa_abs"].value == pytest.approx(101_325.0 + 23.3333e5, rel=1e-5)
    assert found["pt_101_pa_abs"].fault is None
    assert found["pt_201_pa_abs"].fault is Fault.NO_REPLY  # there is no in_voltage1
    assert found["tt_201_degc"].value == 23.125
    (tmp_path / "iio:device0" / "in_voltage0_raw").write_text("160")
    (tmp_path / IDS[0] / "w1_slave").unlink()
    assert until(lambda: readings()["pt_101_pa_abs"].fault is Fault.FAILURE)
    assert until(lambda: readings()["tt_201_degc"].fault is Fault.NO_REPLY)
    assert all(worker.stop(PATIENCE_S) for worker in workers.values())
