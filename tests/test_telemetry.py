"""Telemetry against real brokers: mosquitto in a process of its own, and the embedded one."""

import contextlib
import getpass
import itertools
import json
import logging
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from importlib import metadata
from pathlib import Path

import jsonschema
import msgspec
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from rigctl.advice.report import Estimate
from rigctl.control.points import M_101, XV_301, Outputs
from rigctl.control.protect.alarms import Alarm
from rigctl.control.readings import Fault, Reading, Readings, RequestKind, Source
from rigctl.control.state import Event, Reply
from rigctl.control.vocabulary import RUNNING, AlarmState, Ask, Kind, Phase
from rigctl.scan import ScanRecord
from rigctl.telemetry import contract
from rigctl.telemetry.broker import BrokerError, EmbeddedBroker
from rigctl.telemetry.commands import Commands
from rigctl.telemetry.messages import (
    CHANNELS,
    READING_TAGS,
    EstimateNow,
    alarm_topic_level,
    outer_state,
    topic_root,
)
from rigctl.telemetry.publisher import Publisher, PublisherOptions
from tests import waiting
from tests.made_with import made_with
from tests.waiting import PATIENCE_S

ROOT = "recovery-rigs/yard/rig-1"
UTC_S = 1_800_000_000.0
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


@pytest.fixture(autouse=True)
def patience(monkeypatch):
    """A broker on a busy machine is not taken for one that does not speak MQTT 5."""
    monkeypatch.setattr("rigctl.telemetry.publisher._MQTT_5_PATIENCE_S", PATIENCE_S)


def until(condition, what):
    """Wait until a condition holds, and return what it gave; fail with `what` was waited for."""
    found = []

    def holds():
        found.append(condition())
        return found[-1]

    # Broker and scan loop run in threads of their own.
    assert waiting.until(holds), f"waited {PATIENCE_S:.0f} s for {what}"
    return found[-1]


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Mosquitto:
    """The system's broker with a configuration of our own; killed by its handle."""

    def __init__(self, folder, *more_lines, port=0):
        self.host = "127.0.0.1"
        self.port = port or free_port()
        self.log = folder / "mosquitto.log"
        self.config = folder / "mosquitto.conf"
        lines = [
            f"listener {self.port} 127.0.0.1",
            f"user {getpass.getuser()}",
            "persistence false",
            # With the default of 1000 a burst is silently cut although acknowledged; with 0 (no limit) mosquitto
            # 2.0.11 hangs up on a client whose message it denies.
            "max_queued_messages 100000",
            "log_type all",
            *(more_lines or ("allow_anonymous true",)),
        ]
        self.config.write_text("\n".join(lines) + "\n")
        self.process = None

    def start(self):
        with self.log.open("a") as log:
            self.process = subprocess.Popen([MOSQUITTO, "-c", str(self.config)], stdout=log, stderr=subprocess.STDOUT)

        def listens():
            assert self.process.poll() is None, self.log.read_text()
            with contextlib.suppress(OSError), socket.create_connection((self.host, self.port), PATIENCE_S):
                return True
            return False

        until(listens, "mosquitto to listen")

    def stop(self):
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


@pytest.fixture
def mosquitto_with(tmp_path):
    """Start mosquitto with lines of configuration."""
    if MOSQUITTO is None:
        if os.environ.get("CI") == "true":
            pytest.fail("mosquitto is not installed, and in CI it must be")
        pytest.skip("mosquitto is not installed")
    started = []

    def start(*lines):
        broker = Mosquitto(tmp_path, *lines)
        started.append(broker)
        broker.start()
        return broker

    yield start
    for broker in started:
        broker.stop()


@pytest.fixture
def mosquitto(mosquitto_with):
    return mosquitto_with()


@pytest.fixture(params=["mosquitto", "embedded"])
def broker(request):
    """Both brokers, one after the other."""
    if request.param == "mosquitto":
        yield request.getfixturevalue("mosquitto")
    else:
        with EmbeddedBroker() as embedded:
            yield embedded


class Reader:
    """An independent MQTT client that notes what it is sent."""

    def __init__(self, broker, topics=("recovery-rigs/#",), **login):
        self.got = []
        self.subscribed = False
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        if login:
            self.client.username_pw_set(**login)
        self.client.on_message = lambda _c, _d, message: self.got.append(message)
        self.client.on_subscribe = lambda *_: setattr(self, "subscribed", True)
        self.client.on_connect = lambda client, *_: client.subscribe([(topic, 1) for topic in topics])
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()
        until(lambda: self.subscribed, "the subscription")

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()

    def on(self, below_root):
        """Return the payloads that came on a topic of the rig, decoded."""
        topic = f"{ROOT}/{below_root}"
        return [json.loads(m.payload) for m in list(self.got) if m.topic == topic]

    def wait_for(self, below_root, count=1, **fields):
        """Wait for payloads with these fields and return them."""

        def found():
            fits = [p for p in self.on(below_root) if all(p.get(k) == v for k, v in fields.items())]
            return fits if len(fits) >= count else None

        return until(found, f"{count} message(s) on {below_root} with {fields}")

    def send(self, below_root, payload, retain=False):
        data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        self.client.publish(f"{ROOT}/{below_root}", data, qos=1, retain=retain).wait_for_publish(PATIENCE_S)


@pytest.fixture
def reading():
    """Open readers that are closed at the end."""
    with contextlib.ExitStack() as stack:

        def open_reader(broker, *topics, **login):
            reader = Reader(broker, *([topics] if topics else []), **login)
            stack.callback(reader.close)
            return reader

        yield open_reader


def options(port, **changes):
    figures = {"reading_max_age_s": 1.0, "retry_max_s": 1.0, "job": "job 7"}
    figures |= {"ack_timeout_s": PATIENCE_S, "connect_timeout_s": PATIENCE_S}  # where silence is not the point
    return PublisherOptions(site="yard", rig="rig-1", port=port, **(figures | changes))


@pytest.fixture
def publishing():
    """Start publishers that are stopped at the end."""
    with contextlib.ExitStack() as stack:

        def start(port, commands=None, backfill=None, **changes):
            publisher = Publisher(options(port, **changes), commands, backfill)
            publisher.start()
            stack.callback(publisher.stop, PATIENCE_S)
            return publisher

        yield start


def scan_record(scan, **changes):
    """One scan at 10 Hz of a rig that takes vapor."""
    now_s = 100.0 + scan / 10
    readings = Readings(
        now_s=now_s,
        utc_s=UTC_S + scan / 10,
        pt_101_pa_abs=Reading(412_000.0, now_s),
        pt_201_pa_abs=Reading(1_100_000.0, now_s),
        wt_301_kg=Reading(23.4, now_s),
        tt_101_degc=Reading(float("nan"), now_s, Fault.FAILURE),
        tt_201_degc=Reading(61.5, now_s - 5.0),
        readback=M_101 | XV_301,
    )
    fields = {
        "scan": scan,
        "readings": readings,
        "phase": Phase.VAPOR,
        "in_phase_s": 12.5,
        "ask": Ask.NOTHING,
        "sentence": "",
        "estimate": Estimate(net_kg=3.25),
        "alarms": (),
        "outputs": Outputs(M_101 | XV_301, 0.4),
        "events": (),
        "replies": (),
        "cylinders": (),
        "standing_checks": (),
    }
    return ScanRecord(**(fields | changes))


HIGH = Alarm("PT-201.high", Kind.TRIP, AlarmState.UNACKNOWLEDGED, 98.0, "Discharge at 38.2 bar gauge.")
TRIPPED = Event("trip", "PT-201.high", "Discharge at 38.2 bar gauge.")


# The messages.


def test_every_reading_has_a_tag_on_the_wire():
    fields = {f.name for f in msgspec.structs.fields(Readings) if f.type is Reading}
    assert {field for field, _, _ in READING_TAGS} == fields
    assert len({tag for _, tag, _ in READING_TAGS}) == len(fields)


def test_the_estimate_on_the_wire_has_all_fields_of_the_controllers():
    assert EstimateNow.__struct_fields__ == Estimate.__struct_fields__


def test_every_phase_belongs_to_one_state_of_isa_88():
    # ISA-88.00.01 / IEC 61512-1: the states of its example procedure, except pausing, which we have not.
    names = [
        "idle",
        "running",
        "holding",
        "held",
        "restarting",
        "stopping",
        "stopped",
        "aborting",
        "aborted",
        "complete",
    ]
    assert {outer_state(phase).value for phase in Phase} == {*names, "complete"}
    assert {outer_state(phase).value for phase in RUNNING} == {"running"}


@pytest.mark.parametrize("name", ["", "a/b", "a+", "#", "$SYS", "a\0"])
def test_names_that_mqtt_gives_a_meaning_to_are_refused_in_one_sentence(name):
    # MQTT 3.1.1 (OASIS 2014) sections 4.7.1 to 4.7.3.
    with pytest.raises(ValueError, match="cannot stand in an MQTT topic"):
        topic_root("yard", name)


def test_an_alarm_tag_is_always_one_level_of_a_topic():
    assert alarm_topic_level("PT-201.high") == "PT-201.high"
    assert not set(alarm_topic_level("a/b+c#d")) & set("/+#")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"port": 0}, "no TCP port"),
        ({"password": "secret"}, "without a user name"),
        ({"tls_ca_file": Path("nowhere.pem")}, "no certificate file"),
        ({"queue_max": 0}, "at least 1"),
        ({"ack_timeout_s": 0.0}, "ack_timeout_s"),
        ({"reading_max_age_s": float("nan")}, "reading_max_age_s"),
    ],
)
def test_settings_that_cannot_work_are_refused_in_one_sentence(changes, words):
    with pytest.raises(ValueError, match=words):
        options(**({"port": 1883} | changes))


def test_the_password_is_not_shown():
    assert "secret" not in repr(options(1883, username="rig", password="secret"))


# The published contract.


def test_the_published_schemas_and_the_asyncapi_document_are_those_of_the_message_types():
    wanted = contract.files()
    found = {path: path.read_text(encoding="utf-8") for path in wanted}
    assert found == wanted, f"{made_with('msgspec')} python -m rigctl.telemetry.contract"
    on_disk = set((contract.FOLDER / "schemas").iterdir()) | {contract.FOLDER / "asyncapi.json"}
    assert on_disk == set(wanted)


def test_the_contract_says_the_same_whatever_a_library_makes_of_a_docstring(monkeypatch):
    wanted = contract.files()
    theirs = msgspec.json.schema

    def indented(of):
        schema = theirs(of)
        for part in schema["$defs"].values():
            part["description"] = "\n    " + part["description"].replace("\n", "\n    ") + "\n    "
        return schema

    def silent(of):
        schema = theirs(of)
        for part in schema["$defs"].values():
            part.pop("description", None)
        return schema

    for other in (indented, silent):
        monkeypatch.setattr(msgspec.json, "schema", other)
        assert contract.files() == wanted


def test_a_generated_file_that_differs_is_told_with_the_library_that_moved(monkeypatch):
    assert "the code makes the difference" in made_with("msgspec", "jsonschema")
    monkeypatch.setattr("tests.made_with.version", lambda name: "99.1" if name == "msgspec" else metadata.version(name))
    assert re.fullmatch(r"made here with msgspec 99\.1 \(the lock has [\d.]+\), .*", made_with("msgspec", "jsonschema"))


def test_the_schemas_are_valid_json_schema():
    for schema in contract.schemas().values():
        jsonschema.Draft7Validator.check_schema(schema)


def test_every_reference_of_the_asyncapi_document_leads_somewhere():
    document = json.loads((contract.FOLDER / "asyncapi.json").read_text(encoding="utf-8"))
    references = []

    def collect(node):
        if isinstance(node, dict):
            references.extend([node["$ref"]] if "$ref" in node else [])
            node = list(node.values())
        if isinstance(node, list):
            for part in node:
                collect(part)

    collect(document)
    assert len(references) > len(CHANNELS)
    for reference in references:
        file, _, pointer = reference.partition("#")
        if file:
            assert (contract.FOLDER / file).is_file()
            continue
        node = document
        for key in pointer.strip("/").split("/"):
            node = node[key]


def schema_of(topic):
    """Return the published schema of a topic, found through the AsyncAPI document as a reader would."""
    document = json.loads((contract.FOLDER / "asyncapi.json").read_text(encoding="utf-8"))
    for channel in document["channels"].values():
        levels = channel["address"].split("/")
        given = topic.split("/")
        if len(levels) == len(given) and all(a == b or a[0] == "{" for a, b in zip(levels, given, strict=True)):
            name = next(iter(channel["messages"]))
            reference = document["components"]["messages"][name]["payload"]["schema"]["$ref"]
            return json.loads((contract.FOLDER / reference).read_text(encoding="utf-8"))
    return pytest.fail(f"no channel is described for {topic}")


def test_everything_the_rig_sends_keeps_to_the_published_schemas(broker, reading, publishing):
    reader = reading(broker)
    commands = Commands(ROOT)
    lost = [scan_record(scan, events=(TRIPPED,)) for scan in range(3)]
    publisher = Publisher(options(broker.port, queue_max=1), commands, lambda a, b: lost[a : b + 1])
    for record in lost:  # before the thread runs: the broker is as good as away
        publisher.offer(record)
    publisher.start()
    until(lambda: publisher.healthy, "the connection")
    publisher.offer(scan_record(10, alarms=(HIGH,), events=(TRIPPED,), phase=Phase.ABORTING))
    reader.wait_for("alarms/PT-201.high", state="active, unacknowledged")
    publisher.offer(scan_record(20, sentence="Look, then confirm.", ask=Ask.CONFIRM, phase=Phase.HELD))
    reader.wait_for("alarms/PT-201.high", state="normal")
    publisher.publish_record(b'{"recovered_kg": 3.25}')
    reader.wait_for("record")
    reader.send("commands", {"id": "1", "kind": "reset", "expires_utc_s": time.time() + 60})
    reader.wait_for("replies")
    reader.wait_for("history/events", count=2)
    assert publisher.stop(PATIENCE_S)
    reader.wait_for("online", online=False)
    seen = set()
    for message in reader.got:
        if not message.topic.endswith("/commands"):
            payload = json.loads(message.payload)
            jsonschema.validate(payload, schema_of(message.topic), jsonschema.Draft7Validator)
            assert {"seq", "utc", "rig"} <= set(payload)
            seen.add(message.topic.removeprefix(ROOT + "/"))
    assert seen == {
        "state", "measurements", "events", "alarms/PT-201.high", "record", "online", "replies",
        "history/measurements", "history/events",
    }  # fmt: skip


def test_a_payload_that_breaks_the_schema_is_found(broker, reading, publishing):
    # The check above can fail: the same message with a unit we have not is refused.
    reader = reading(broker)
    publishing(broker.port).offer(scan_record(1))
    payload = reader.wait_for("measurements")[0]
    payload["readings"]["PT-101"]["unit"] = "bar"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(payload, schema_of(f"{ROOT}/measurements"), jsonschema.Draft7Validator)


# What arrives.


def test_somebody_who_comes_late_sees_state_alarms_and_record(broker, reading, publishing):
    early = reading(broker)
    publisher = publishing(broker.port)
    publisher.offer(scan_record(1, phase=Phase.HELD, ask=Ask.COOL_CYLINDER, sentence="Cool it.", alarms=(HIGH,)))
    publisher.publish_record({"recovered_kg": 3.25})
    early.wait_for("record")
    early.wait_for("state")
    late = reading(broker)
    state = late.wait_for("state")[0]
    assert (state["state"], state["phase"], state["ask"]) == ("held", "held", "cool the cylinder")
    assert (state["sentence"], state["job"], state["rig"]) == ("Cool it.", "job 7", "rig-1")
    # `date -u -d @1800000000.1` and 12.5 s before it
    assert state["utc"] == "2027-01-15T08:00:00.100000Z"
    assert state["since"] == "2027-01-15T07:59:47.600000Z"
    alarm = late.wait_for("alarms/PT-201.high")[0]
    assert (alarm["state"], alarm["kind"]) == ("active, unacknowledged", "trip")
    assert alarm["since"] == "2027-01-15T07:59:58Z"  # 2.1 s before the scan on the rig's own clock
    assert late.wait_for("record")[0]["record"] == {"recovered_kg": 3.25}
    assert late.wait_for("online")[0]["online"] is True
    assert all(m.retain for m in late.got if m.topic.split("/")[-1] in ("state", "record", "online"))
    assert not late.on("measurements")


def test_measurements_carry_every_fitted_reading_with_its_quality(broker, reading, publishing):
    reader = reading(broker)
    publishing(broker.port).offer(scan_record(1))
    message = reader.wait_for("measurements")[0]
    assert set(message["readings"]) == {"PT-101", "PT-201", "WT-301", "TT-101", "TT-201"}
    assert message["readings"]["PT-101"] == {
        "value": 412_000.0, "unit": "Pa absolute", "quality": "good", "age_s": 0.0,
    }  # fmt: skip
    assert message["readings"]["TT-101"]["quality"] == "failure"
    assert message["readings"]["TT-101"]["value"] is None
    assert message["readings"]["TT-201"]["quality"] == "stale"
    assert message["outputs"]["M-101"] is True
    assert message["outputs"]["XV-101"] is False
    assert message["outputs"]["CV-103"] == 0.4
    assert message["readback"]["XV-301"] is True
    assert message["estimate"]["net_kg"] == 3.25
    assert message["estimate"]["left_kg"] is None


def test_measurements_come_once_a_second_and_events_always(broker, reading, publishing):
    reader = reading(broker)
    publisher = publishing(broker.port)
    for scan in range(31):  # 3.0 s of scans at 10 Hz
        publisher.offer(scan_record(scan, events=(TRIPPED,) if scan in (5, 6) else ()))
    messages = reader.wait_for("measurements", count=4)
    assert [m["scan"] for m in messages] == [0, 10, 20, 30]
    assert [m["seq"] for m in messages] == [1, 2, 3, 4]
    assert [(m["scan"], m["seq"]) for m in reader.wait_for("events", count=2)] == [(5, 1), (6, 2)]


def test_a_cleared_alarm_stays_as_normal(broker, reading, publishing):
    reader = reading(broker)
    publisher = publishing(broker.port)
    publisher.offer(scan_record(1, alarms=(HIGH,)))
    publisher.offer(scan_record(2, alarms=(msgspec.structs.replace(HIGH, state=AlarmState.ACKNOWLEDGED),)))
    publisher.offer(scan_record(3))
    reader.wait_for("alarms/PT-201.high", state="normal")
    states = [m["state"] for m in reader.on("alarms/PT-201.high")]
    assert states == ["active, unacknowledged", "active, acknowledged", "normal"]
    kept = reading(broker).wait_for("alarms/PT-201.high")
    assert {m["state"] for m in kept} == {"normal"}


def test_an_alarm_left_behind_by_an_earlier_run_is_cleared(broker, reading, publishing):
    reader = reading(broker)
    first = publishing(broker.port)
    first.offer(scan_record(1, alarms=(HIGH,)))
    reader.wait_for("alarms/PT-201.high")
    first.stop(PATIENCE_S)
    second = publishing(broker.port)
    second.offer(scan_record(2))
    reader.wait_for("alarms/PT-201.high", state="normal")


# Coming and going.


def test_a_clean_stop_says_offline_itself(broker, reading, publishing):
    reader = reading(broker)
    publisher = publishing(broker.port)
    until(lambda: publisher.healthy, "the connection")
    publisher.offer(scan_record(1))
    assert publisher.stop(PATIENCE_S)
    message = reader.wait_for("online", online=False)[0]
    assert message["reason"] == "stopped"
    assert reader.on("measurements"), "what was queued is sent before"
    assert {m["reason"] for m in reading(broker).wait_for("online")} == {"stopped"}
    assert "stopped" in publisher.health


CHILD = """
import sys, time
from rigctl.telemetry.publisher import Publisher, PublisherOptions
publisher = Publisher(PublisherOptions("yard", "rig-1", 1.0, port=int(sys.argv[1])))
publisher.start()
while not publisher.healthy:
    time.sleep(0.02)
print("ready", flush=True)
time.sleep(300)
"""


def test_a_killed_rig_is_reported_by_its_last_will(broker, reading):
    reader = reading(broker)
    command = [sys.executable, "-c", CHILD, str(broker.port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        try:
            assert child.stdout.readline() == "ready\n"
            reader.wait_for("online", online=True)
        finally:
            child.send_signal(signal.SIGKILL)
    assert reader.wait_for("online", online=False)[0]["reason"] == "connection lost"
    assert {m["online"] for m in reading(broker).wait_for("online")} == {False}


def test_mqtt_5_is_spoken_where_the_broker_does(mosquitto, publishing):
    publisher = publishing(mosquitto.port)
    until(lambda: publisher.healthy, "the connection")
    # mosquitto logs the version of each connection: p5 is MQTT 5, p2 is 3.1.1
    assert "as recovery-rig-yard-rig-1 (p5" in mosquitto.log.read_text()


def test_mqtt_3_1_1_is_spoken_where_the_broker_refuses_mqtt_5(reading, publishing):
    with EmbeddedBroker() as broker:
        levels = []
        with relay(broker.port, levels.append) as port:
            publisher = publishing(port)
            until(lambda: publisher.healthy, "the connection")
            publisher.stop(PATIENCE_S)
    # MQTT 3.1.1 section 3.1.2.2: protocol level 4; MQTT 5 section 3.1.2.2: 5; after the protocol's name.
    assert [first[first.index(b"MQTT") + 4] for first in levels] == [5, 4]


@contextlib.contextmanager
def relay(port, note):
    """Pass connections on to a port and note the first bytes each client sends."""
    import threading

    server = socket.create_server(("127.0.0.1", 0))

    def pump(source, sink, first):
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                if first:
                    note(data)
                    first = False
                sink.sendall(data)
        for end in (source, sink):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    threads, sockets = [], [server]

    def serve():
        with contextlib.suppress(OSError):
            while True:
                client, _ = server.accept()
                upstream = socket.create_connection(("127.0.0.1", port))
                sockets.extend((client, upstream))
                for arguments in ((client, upstream, True), (upstream, client, False)):
                    threads.append(threading.Thread(target=pump, args=arguments))
                    threads[-1].start()

    acceptor = threading.Thread(target=serve)
    acceptor.start()
    yield server.getsockname()[1]
    server.shutdown(socket.SHUT_RDWR)
    acceptor.join()
    for end in sockets[1:]:
        with contextlib.suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
    for thread in threads:
        thread.join()
    for end in sockets:
        end.close()


def test_a_frozen_broker_is_noticed_by_its_silence_and_telemetry_recovers(mosquitto, reading, publishing):
    reader = reading(mosquitto)
    publisher = publishing(mosquitto.port, ack_timeout_s=1.0)
    until(lambda: publisher.healthy, "the connection")
    mosquitto.process.send_signal(signal.SIGSTOP)
    try:
        until(lambda: not publisher.healthy, "the silence to be noticed")
        assert publisher._connected, "the connection still stands, and is no sign of life"
        assert "has acknowledged nothing for" in publisher.health
        assert "works on without telemetry" in publisher.health
        for scan in range(100):
            publisher.offer(scan_record(scan, events=(TRIPPED,)))
    finally:
        mosquitto.process.send_signal(signal.SIGCONT)
    until(lambda: publisher.healthy, "the recovery")
    assert [m["seq"] for m in reader.wait_for("events", count=100)] == list(range(1, 101))
    assert publisher.dropped == 0


def test_a_broker_frozen_before_the_start_is_noticed_too(mosquitto, publishing):
    mosquitto.process.send_signal(signal.SIGSTOP)
    try:
        publisher = publishing(mosquitto.port, connect_timeout_s=0.5)
        until(lambda: "does not answer" in publisher.health, "the sentence")
    finally:
        mosquitto.process.send_signal(signal.SIGCONT)
    until(lambda: publisher.healthy, "the recovery")


def test_after_a_restart_of_the_broker_everything_is_in_place_again(mosquitto, reading, publishing):
    publisher = publishing(mosquitto.port)
    publisher.offer(scan_record(1, alarms=(HIGH,), events=(TRIPPED,)))
    until(lambda: publisher.healthy and not publisher._under_way, "the first messages")
    mosquitto.stop()
    until(lambda: not publisher.healthy, "the loss to be noticed")
    publisher.offer(scan_record(11, alarms=(HIGH,), phase=Phase.HELD, sentence="Cool it.", events=(TRIPPED,)))
    publisher.offer(scan_record(12, phase=Phase.HELD, sentence="Confirm.", events=(TRIPPED,)))
    until(lambda: "connection refused" in publisher.health, "the sentence")
    mosquitto.start()
    reader = reading(mosquitto)
    reader.wait_for("state", sentence="Confirm.")
    reader.wait_for("alarms/PT-201.high", state="normal")
    reader.wait_for("online", online=True)
    late = reading(mosquitto)
    assert late.wait_for("state")[0]["sentence"] == "Confirm."
    assert late.wait_for("online")[0]["online"] is True
    assert publisher.dropped == 0


def test_no_broker_is_told_in_plain_words_and_found_when_it_comes(reading, publishing):
    port = free_port()
    publisher = publishing(port)
    publisher.offer(scan_record(1))
    sentence = f"No broker answers at 127.0.0.1:{port} (connection refused). The rig works on without telemetry;"
    until(lambda: publisher.health.startswith(sentence), "the sentence")
    assert not publisher.healthy
    with EmbeddedBroker(port) as broker:
        reading(broker).wait_for("state")
        until(lambda: publisher.healthy, "the connection")
        assert publisher.health == f"Telemetry goes to the broker at 127.0.0.1:{port}."
        publisher.stop(PATIENCE_S)


def test_a_host_that_does_not_exist_is_told_in_plain_words(publishing):
    # RFC 6761 section 6.4: "invalid." never resolves.
    publisher = publishing(1883, host="broker.invalid")
    until(lambda: "unknown host name" in publisher.health, "the sentence")


def test_something_that_is_no_broker_is_told_in_plain_words(publishing):
    with socket.create_server(("127.0.0.1", 0)) as server:
        import threading

        def hang_up():
            with contextlib.suppress(OSError):
                while True:
                    server.accept()[0].close()

        thread = threading.Thread(target=hang_up)
        thread.start()
        try:
            publisher = publishing(server.getsockname()[1])
            until(lambda: "does not speak MQTT" in publisher.health, "the sentence")
            publisher.stop(PATIENCE_S)
        finally:
            server.shutdown(socket.SHUT_RDWR)
            thread.join()


def test_a_wrong_password_is_told_and_the_right_one_works(mosquitto_with, tmp_path, reading, publishing):
    maker = shutil.which("mosquitto_passwd")
    if maker is None:
        pytest.skip("mosquitto_passwd is not installed")
    passwords = tmp_path / "passwords"
    subprocess.run([maker, "-c", "-b", str(passwords), "rig", "right"], check=True)
    broker = mosquitto_with("allow_anonymous false", f"password_file {passwords}")
    wrong = publishing(broker.port, username="rig", password="wrong")
    until(lambda: "refuses the user name or password" in wrong.health, "the sentence")
    assert "wrong" not in wrong.health
    wrong.stop(PATIENCE_S)
    right = publishing(broker.port, username="rig", password="right")
    right.offer(scan_record(1))
    reading(broker, username="rig", password="right").wait_for("state")


def test_a_broker_that_takes_nothing_from_this_user_is_told(mosquitto_with, tmp_path, publishing):
    access = tmp_path / "access"
    access.write_text("topic read recovery-rigs/#\n")
    broker = mosquitto_with("allow_anonymous true", f"acl_file {access}")
    publisher = publishing(broker.port)
    until(lambda: "does not take what the rig publishes (not authorized)" in publisher.health, "the sentence")
    assert not publisher.healthy


# paho-mqtt 2.2 leaves the socket to the garbage collector when the handshake fails.
@pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning")
def test_tls_is_used_and_an_unknown_authority_is_refused(mosquitto_with, tmp_path, publishing):
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("openssl is not installed")

    def certificate(name):
        files = tmp_path / f"{name}.key", tmp_path / f"{name}.pem"
        command = [
            openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
            "-days", "2", "-subj", f"/CN={name}", "-addext", "subjectAltName=IP:127.0.0.1",
            "-keyout", str(files[0]), "-out", str(files[1]),
        ]  # fmt: skip
        subprocess.run(command, check=True, capture_output=True)
        return files

    key, own = certificate("broker")
    _, other = certificate("stranger")
    broker = mosquitto_with("allow_anonymous true", f"certfile {own}", f"keyfile {key}")
    trusted = publishing(broker.port, tls_ca_file=own)
    until(lambda: trusted.healthy, "the connection")
    trusted.stop(PATIENCE_S)
    doubted = publishing(broker.port, tls_ca_file=other)
    until(lambda: "cannot be trusted" in doubted.health, "the sentence")
    doubted.stop(PATIENCE_S)
    plain = publishing(broker.port, connect_timeout_s=1.0)
    until(lambda: "TLS" in plain.health, "the sentence")


# Observers cannot hurt.


def test_a_full_queue_drops_the_oldest_counts_them_and_never_raises():
    publisher = Publisher(options(free_port(), queue_max=5))
    for scan in range(20):
        publisher.offer(scan_record(scan, events=(TRIPPED,)))
    assert publisher.dropped == 15
    assert "15 scan records dropped" in publisher.health


def test_dropped_records_show_as_a_jump_in_seq_and_are_filled_in_afterwards(reading, publishing):
    port = free_port()
    journal = [scan_record(scan, events=(TRIPPED,) if scan % 10 == 5 else ()) for scan in range(200)]
    asked = []

    def backfill(first, last):
        asked.append((first, last))
        return iter(journal[first : last + 1])

    publisher = publishing(port, backfill=backfill, queue_max=10)
    for record in journal:
        publisher.offer(record)
    dropped = publisher.dropped
    assert dropped > 0
    with EmbeddedBroker(port) as broker:
        # The subscription may come after the first of them: what counts is what was sent again by then.
        reader = reading(broker)
        until(lambda: publisher.healthy and not publisher._queue and not publisher._under_way, "the present")
        until(lambda: asked and publisher._history is None and not publisher._under_way, "the past")
        publisher.offer(scan_record(200))
        message = reader.wait_for("measurements", scan=200)[0]
        assert message["dropped"] == dropped
        # 1 a second of scans at 10 Hz: the 21st, had none been dropped
        assert message["seq"] == 21
        publisher.stop(PATIENCE_S)
    first, last = asked[0]
    assert (first, len(asked)) == (0, 1)
    assert journal[last].events or last % 10 == 0, "only what had something to say was queued, so dropped"


def test_an_outage_is_told_completely_by_the_present_and_the_history_together(reading, publishing):
    # Promise: an outage of any length is filled in afterwards from the journal.
    journal = [scan_record(scan, events=(TRIPPED,) if scan % 10 == 5 else ()) for scan in range(300)]
    with EmbeddedBroker() as broker:
        reader = reading(broker)
        publisher = Publisher(
            options(broker.port, queue_max=10), backfill=lambda first, last: journal[first : last + 1]
        )
        for record in journal:  # before the thread runs: the broker is as good as away
            publisher.offer(record)
        assert publisher.dropped > 0
        publisher.start()
        wanted = {record.scan for record in journal if record.events}

        def told():
            return {m["scan"] for below in ("events", "history/events") for m in reader.on(below)}

        until(lambda: told() >= wanted, "all events")
        assert told() == wanted
        seconds = {m["scan"] // 10 for t in ("measurements", "history/measurements") for m in reader.on(t)}
        assert seconds == set(range(30))
        assert publisher.stop(PATIENCE_S)


def test_a_journal_that_fails_does_not_end_telemetry(reading, publishing):
    def backfill(first, last):
        raise OSError("disk gone")

    with EmbeddedBroker() as broker:
        reader = reading(broker)
        publisher = Publisher(options(broker.port, queue_max=1), backfill=backfill)
        for scan in range(3):
            publisher.offer(scan_record(scan, events=(TRIPPED,)))
        publisher.start()
        until(lambda: publisher.failed == 1, "the failure to be counted")
        publisher.offer(scan_record(50))
        reader.wait_for("measurements", scan=50)
        assert publisher.stop(PATIENCE_S)


@pytest.mark.parametrize("with_broker", [False, True])
def test_offering_is_the_same_with_and_without_a_broker_even_for_nonsense(with_broker, publishing):
    with EmbeddedBroker() as broker:
        publisher = publishing(broker.port if with_broker else free_port())
        good = scan_record(1)
        readings = good.readings
        nonsense = [
            None,
            msgspec.structs.replace(good, readings=None),
            msgspec.structs.replace(good, scan=2, events=(None,)),
            msgspec.structs.replace(good, scan=3, alarms=(None,)),
            msgspec.structs.replace(good, readings=msgspec.structs.replace(readings, utc_s=float("nan"))),
            msgspec.structs.replace(good, readings=msgspec.structs.replace(readings, now_s=float("inf"))),
        ]
        before = msgspec.json.encode(good)
        results = {publisher.offer(record) for record in [*nonsense, good, good]}
        results |= {publisher.publish_record(record) for record in (b"{", b"[]", {"a": object()}, {"a": 1})}
        assert results == {None}
        assert msgspec.json.encode(good) == before
        assert publisher.failed >= 6
        publisher.stop(PATIENCE_S)


def test_nonsense_does_not_stop_what_comes_after_it(broker, reading, publishing):
    reader = reading(broker)
    publisher = publishing(broker.port)
    good = scan_record(1)
    publisher.offer(msgspec.structs.replace(good, events=(None,)))
    publisher.offer(msgspec.structs.replace(good, phase="nowhere"))
    publisher.offer(scan_record(30, phase=Phase.HELD))
    reader.wait_for("state", phase="held")
    assert publisher.failed == 2


def test_a_failure_behind_a_callback_does_not_end_telemetry(broker, reading, publishing):
    class Broken(Commands):
        def receive(self, payload, *, retained):
            raise RuntimeError("broken")

    reader = reading(broker)
    publisher = publishing(broker.port, Broken(ROOT))
    until(lambda: publisher.healthy, "the connection")
    reader.send("commands", b"{}")
    until(lambda: publisher.failed == 1, "the failure to be counted")
    publisher.offer(scan_record(1))
    reader.wait_for("state")
    assert publisher._connected


def test_each_change_of_health_is_logged_once(publishing, caplog):
    caplog.set_level(logging.INFO, "rigctl.telemetry")
    port = free_port()
    publisher = publishing(port, retry_max_s=0.1)
    until(lambda: "connection refused" in publisher.health, "the sentence")
    with EmbeddedBroker(port):
        until(lambda: any("goes to" in message for message in caplog.messages), "the good news")
        publisher.stop(PATIENCE_S)
    assert sum("connection refused" in message for message in caplog.messages) == 1
    assert sum("goes to" in message for message in caplog.messages) == 1


# Commands.


class Clock:
    """A wall clock that stands still."""

    def __init__(self):
        self.now_s = UTC_S

    def __call__(self):
        return self.now_s


def command(**changes):
    fields = {"id": "a-1", "kind": "stop", "expires_utc_s": UTC_S + 30.0}
    return json.dumps(fields | changes).encode()


def judged(payload, *, retained=False, **settings):
    """Return what the scan is handed and what the sender is told at once."""
    commands = Commands(ROOT, utc_s=Clock(), **settings)
    commands.receive(payload, retained=retained)
    return commands.take_requests(), commands.take_answers()


@pytest.mark.parametrize("kind", ["stop", "hold", "abort", "acknowledge", "start", "restart"])
def test_a_good_command_becomes_a_remote_request(kind):
    (request,), answers = judged(command(kind=kind))
    assert (request.kind, request.source) == (RequestKind(kind), Source.REMOTE)
    assert request.cylinder is None
    assert answers == ()


@pytest.mark.parametrize(
    ("payload", "retained", "words"),
    [
        (command(kind="reset"), False, "never taken from afar"),
        (command(kind="open the valve"), False, "there is no command 'open the valve'"),
        (command(expires_utc_s=UTC_S - 0.1), False, "stale: it expired 0.1 s ago"),
        (command(expires_utc_s=UTC_S + 301.0), False, "at most 300 s"),
        (command(), True, "retain flag"),
        (command(reply_topic="recovery-rigs/yard/rig-1/commands"), False, "answers only go to"),
        (command(reply_topic="recovery-rigs/yard/rig-1/replies/#"), False, "answers only go to"),
        (command(reply_topic="recovery-rigs/yard/rig-1/replies/"), False, "answers only go to"),
        (command(id=""), False, "malformed"),
        (command(id="x" * 65), False, "malformed"),
        (command(id=7), False, "malformed"),
        (command(expires_utc_s="soon"), False, "malformed"),
        (command(expires_utc_s=None), False, "malformed"),
        (command(source="local"), False, "malformed"),
        (command(cylinder={"serial": "1"}), False, "malformed"),
        (b'{"id": "a", "kind": "stop"}', False, "malformed"),
        (b'{"id": "a", "kind": "stop", "expires_utc_s": NaN}', False, "malformed"),
        (b'{"id": "a", "kind": "stop", "expires_utc_s": 1e999}', False, "malformed"),
        (b"stop", False, "malformed"),
        (b"[]", False, "malformed"),
        (b"\xff\xfe", False, "malformed"),
        (b"[" * 100_000, False, "malformed"),
    ],
)
def test_a_bad_command_is_refused_with_a_reason_and_never_reaches_the_scan(payload, retained, words):
    requests, (answer,) = judged(payload, retained=retained)
    assert requests == ()
    assert not answer.accepted
    assert words in answer.text
    assert answer.topic == f"{ROOT}/replies"


def test_a_command_lives_exactly_until_its_expiry():
    assert len(judged(command(expires_utc_s=UTC_S))[0]) == 1
    assert len(judged(command(expires_utc_s=UTC_S + 300.0))[0]) == 1


def test_a_malformed_command_is_answered_to_its_sender_when_it_can_be_read():
    _, (answer,) = judged(command(extra=1, reply_topic=f"{ROOT}/replies/office"))
    assert (answer.command_id, answer.topic) == ("a-1", f"{ROOT}/replies/office")


def test_clearing_a_kept_command_is_no_command():
    assert judged(b"", retained=False) == ((), ())


def test_a_repeated_command_is_refused_even_after_it_was_carried_out():
    commands = Commands(ROOT, utc_s=Clock())
    commands.receive(command(), retained=False)
    assert len(commands.take_requests()) == 1
    commands.receive(command(), retained=False)
    assert commands.take_requests() == ()
    assert "came before" in commands.take_answers()[0].text


def test_a_command_that_waited_too_long_for_the_scan_is_refused():
    clock = Clock()
    commands = Commands(ROOT, utc_s=clock)
    commands.receive(command(), retained=False)
    clock.now_s += 31.0
    assert commands.take_requests() == ()
    assert "stale" in commands.take_answers()[0].text


def test_kinds_that_are_not_permitted_are_refused_but_stop_and_abort_always_pass():
    # Promise: a remote request can always stop the rig.
    for kind in ("start", "restart", "hold", "acknowledge"):
        requests, (answer,) = judged(command(kind=kind), permitted=frozenset())
        assert requests == ()
        assert "does not take" in answer.text
    for kind in ("stop", "abort"):
        assert [request.kind.value for request in judged(command(kind=kind), permitted=frozenset())[0]] == [kind]


def test_a_reset_cannot_be_permitted():
    with pytest.raises(ValueError, match="person at the rig"):
        Commands(ROOT, permitted=frozenset({RequestKind.RESET}))


def test_a_flood_of_commands_is_bounded_and_keeps_no_stop_out():
    commands = Commands(ROOT, utc_s=Clock(), waiting_max=10, remembered_max=20)
    for number in range(1000):
        commands.receive(command(id=str(number), kind="acknowledge"), retained=False)
    for number in range(5):
        commands.receive(command(id=f"stop {number}"), retained=False)
    kinds = [request.kind for request in commands.take_requests()]
    assert kinds == [RequestKind.ACKNOWLEDGE] * 10 + [RequestKind.STOP]
    assert len(commands.take_answers()) == 994
    # The ids remembered are full too by now.
    for number in range(1000, 1020):
        commands.receive(command(id=str(number), kind="acknowledge"), retained=False)
        commands.take_requests()
    commands.receive(command(id="the last"), retained=False)
    assert [request.kind for request in commands.take_requests()] == [RequestKind.STOP]


def test_ids_are_forgotten_when_they_can_no_longer_be_repeated():
    clock = Clock()
    commands = Commands(ROOT, utc_s=clock, remembered_max=4)
    for number in itertools.chain(range(4), range(10, 14), range(20, 24)):
        commands.receive(command(id=str(number), kind="hold", expires_utc_s=clock.now_s + 1), retained=False)
        assert len(commands.take_requests()) == 1
        if number % 10 == 3:
            clock.now_s += 2.0


def test_the_scans_answer_goes_to_the_sender_and_only_for_remote_requests():
    commands = Commands(ROOT, utc_s=Clock())
    commands.receive(command(reply_topic=f"{ROOT}/replies/office"), retained=False)
    (request,) = commands.take_requests()
    # A button at the rig that happens to have the same id
    commands.answered((Reply("a-1", True, "button"), Reply("", True, "button")))
    assert commands.take_answers() == ()
    commands.answered((Reply(request.request_id, False, "Nothing to stop."),))
    (answer,) = commands.take_answers()
    assert answer == (f"{ROOT}/replies/office", "a-1", False, "Nothing to stop.")
    commands.answered((Reply(request.request_id, True, "again"),))
    assert commands.take_answers() == ()


def test_a_command_goes_all_the_way_and_its_answer_comes_back(broker, reading, publishing):
    reader = reading(broker)
    commands = Commands(topic_root("yard", "rig-1"))
    publisher = publishing(broker.port, commands)
    until(lambda: publisher.healthy, "the connection")
    wanted = {
        "id": "c1",
        "kind": "stop",
        "expires_utc_s": time.time() + 60,
        "reply_topic": f"{ROOT}/replies/me",
    }
    jsonschema.validate(wanted, schema_of(f"{ROOT}/commands"), jsonschema.Draft7Validator)
    reader.send("commands", wanted)
    (request,) = until(commands.take_requests, "the request")
    assert request.kind is RequestKind.STOP
    publisher.offer(scan_record(1, replies=(Reply(request.request_id, True, "Stopping."),)))
    reply = reader.wait_for("replies/me")[0]
    assert (reply["id"], reply["accepted"], reply["text"]) == ("c1", True, "Stopping.")
    reader.send("commands", wanted)
    assert "came before" in reader.wait_for("replies/me", accepted=False)[0]["text"]


def test_a_command_kept_by_the_broker_is_refused_when_the_rig_comes(broker, reading, publishing):
    reader = reading(broker)
    wanted = {"id": "c1", "kind": "start", "expires_utc_s": time.time() + 60}
    reader.send("commands", wanted, retain=True)
    reader.wait_for("commands")
    commands = Commands(ROOT)
    publishing(broker.port, commands)
    assert "retain flag" in reader.wait_for("replies", id="c1")[0]["text"]
    assert commands.take_requests() == ()
    reader.send("commands", b"", retain=True)


def test_the_published_schema_of_commands_names_no_reset():
    schema = schema_of(f"{ROOT}/commands")
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(json.loads(command(kind="reset")), schema, jsonschema.Draft7Validator)


# The embedded broker.


def test_a_port_in_use_is_told_in_one_sentence():
    with EmbeddedBroker() as first:
        with pytest.raises(BrokerError, match=r"cannot listen at .*the port is in use"):
            EmbeddedBroker(first.port).start()
        assert first.address == f"127.0.0.1:{first.port}"


def test_the_embedded_broker_gives_its_port_free_and_can_start_again(reading):
    broker = EmbeddedBroker(free_port())
    for _ in range(2):
        broker.start()
        with socket.create_connection((broker.host, broker.port), PATIENCE_S):
            pass
        broker.stop()
    broker.stop()
    with pytest.raises(BrokerError, match="does not run"):
        _ = broker.address


def test_a_port_that_is_none_is_refused():
    with pytest.raises(BrokerError, match="no TCP port"):
        EmbeddedBroker(70_000)
