"""The files for the machine around the rig: service, device names, broker and who may do what there."""

from __future__ import annotations

import shutil
import socket
import subprocess
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from rigctl.telemetry.messages import topic_root
from tests.strategies import CONFIGS
from tests.waiting import PATIENCE_S, until

HOST = CONFIGS / "host"
ROOT = topic_root("example-shop", "bench-1")
mosquitto = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")


def answers(port: int) -> bool:
    with socket.socket() as caller:
        return caller.connect_ex(("127.0.0.1", port)) == 0


def test_the_unit_is_one_that_systemd_takes(tmp_path: Path) -> None:
    tool = shutil.which("systemd-analyze")
    if tool is None:
        pytest.skip("no systemd here")
    unit = tmp_path / "rigctl@x.service"
    text = (HOST / "rigctl@.service").read_text()
    program = "/opt/rigctl/.venv/bin/rigctl"
    assert f"ExecStart={program} run" in text
    unit.write_text(text.replace(program, "/bin/true"))
    done = subprocess.run([tool, "verify", str(unit)], capture_output=True, text=True, check=False)
    assert str(unit.name) not in done.stderr, done.stderr


@pytest.mark.skipif(mosquitto is None, reason="no mosquitto here")
def test_the_broker_lets_each_do_only_its_part(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    passwd = tmp_path / "passwd"
    for n, user in enumerate(("rig", "watcher", "technician")):
        make = [shutil.which("mosquitto_passwd") or "/usr/bin/mosquitto_passwd", "-b", *(["-c"] if n == 0 else [])]
        subprocess.run([*make, str(passwd), user, "secret"], check=True, capture_output=True)
    acl = tmp_path / "rig.acl"
    acl.write_text((HOST / "rig.acl").read_text())
    for path in (passwd, acl):
        path.chmod(0o644)
    tmp_path.chmod(0o755)
    lines = (HOST / "mosquitto.conf").read_text().splitlines()
    kept = [line for line in lines if not line.startswith(("certfile", "keyfile", "persistence"))]
    text = "\n".join(kept).replace("listener 8883", f"listener {port} 127.0.0.1")
    text = text.replace("/etc/mosquitto/passwd", str(passwd)).replace("/etc/mosquitto/rig.acl", str(acl))
    (tmp_path / "m.conf").write_text(f"{text}\nuser root\n")
    broker = subprocess.Popen(
        [str(mosquitto), "-c", str(tmp_path / "m.conf")], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        assert until(lambda: broker.poll() is not None or answers(port)) and broker.poll() is None
        heard: dict[str, list[str]] = {}
        clients = {}
        for user in ("rig", "watcher", "technician"):
            client = mqtt.Client(CallbackAPIVersion.VERSION2)
            client.username_pw_set(user, "secret")
            heard[user] = []
            client.on_message = lambda _c, _u, message, user=user: heard[user].append(message.payload.decode())
            subscribed: list[int] = []
            client.on_subscribe = lambda *_, subscribed=subscribed: subscribed.append(1)
            client.connect("127.0.0.1", port)
            client.loop_start()
            client.subscribe(f"{ROOT}/#", 1)
            client.subscribe(f"{ROOT}/commands", 1)
            assert until(lambda subscribed=subscribed: len(subscribed) == 2)
            clients[user] = client
        for user in ("watcher", "technician"):
            clients[user].publish(f"{ROOT}/commands", f"asked by {user}", 1).wait_for_publish(PATIENCE_S)
            clients[user].publish(f"{ROOT}/state", f"forged by {user}", 1).wait_for_publish(PATIENCE_S)
        # Acknowledged, so that the broker has dealt with all of it; what comes last has overtaken nothing.
        clients["rig"].publish(f"{ROOT}/state", "from the rig", 1).wait_for_publish(PATIENCE_S)
        assert until(lambda: "from the rig" in heard["watcher"] and "from the rig" in heard["technician"])
        assert until(lambda: "asked by technician" in heard["rig"])
        said = {text for texts in heard.values() for text in texts}
        assert not any(text.startswith("forged") or text == "asked by watcher" for text in said)
        for client in clients.values():
            client.disconnect()
            client.loop_stop()
    finally:
        broker.terminate()
        broker.wait(PATIENCE_S)
