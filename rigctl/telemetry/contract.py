"""The published contract: JSON Schemas and the AsyncAPI document, generated from the message types.

`python -m rigctl.telemetry.contract` writes them anew after a change of `messages.py`.
"""

from __future__ import annotations

import inspect
import re
from pathlib import Path
from typing import Any

import msgspec

from rigctl.telemetry import messages
from rigctl.telemetry.messages import CHANNELS, ROOT

FOLDER = Path(__file__).parent
VERSION = "1.0.0"
"""Of the contract, not of the program: the first figure changes when a reader would have to."""
DIALECT = "http://json-schema.org/draft-07/schema#"
"""The one every AsyncAPI tool must read (AsyncAPI 3.0.0, "Multi Format Schema Object")."""

_PARAMETERS = {
    "site": "Name of the site, as in the rig's settings.",
    "rig": "Name of the rig, as in its settings.",
    "tag": "Tag of the alarm, a row of the cause-and-effect table, for example PT-201.high.",
    "who": "Chosen by the sender of the command.",
}


def schemas() -> dict[str, dict[str, Any]]:
    """Return the JSON Schema of every message by the name of its type."""
    found: dict[str, dict[str, Any]] = {}
    for channel in CHANNELS:
        name = channel.message.__name__
        parts = msgspec.json.schema(channel.message)["$defs"]
        for part, schema in parts.items():
            theirs = {key: value for key, value in schema.items() if key not in {"title", "description"}}
            parts[part] = {"title": part, "description": _description(part), **theirs}
        found[name] = {"$schema": DIALECT, **parts.pop(name), **({"$defs": parts} if parts else {})}
    return found


def _description(name: str) -> str:
    """The docstring of a message or of one of its parts, as it reads without the indentation of the source.

    Written here: msgspec and Python itself have changed what they leave of that indentation from release to release.
    """
    return inspect.cleandoc(getattr(messages, name).__doc__)


def asyncapi() -> dict[str, Any]:
    """Return the AsyncAPI 3.0 document; its messages refer to the schema files beside it."""
    root = f"{ROOT}/{{site}}/{{rig}}"
    channels: dict[str, Any] = {}
    operations: dict[str, Any] = {}
    sent: dict[str, Any] = {}
    for channel in CHANNELS:
        name = channel.message.__name__
        address = f"{root}/{channel.address}"
        channels[channel.name] = {
            "address": address,
            "messages": {name: {"$ref": f"#/components/messages/{name}"}},
            "parameters": {key: {"description": _PARAMETERS[key]} for key in re.findall(r"\{(\w+)\}", address)},
        }
        operations[f"{'send' if channel.sent_by_rig else 'receive'}-{channel.name}"] = {
            "action": "send" if channel.sent_by_rig else "receive",
            "channel": {"$ref": f"#/channels/{channel.name}"},
            "bindings": {"mqtt": {"qos": 1, "retain": channel.retained}},
        }
        sent[name] = {
            "name": name,
            "contentType": "application/json",
            "summary": _description(name).splitlines()[0],
            "payload": {
                "schemaFormat": "application/schema+json;version=draft-07",
                "schema": {"$ref": f"./schemas/{name}.json"},
            },
        }
    operations["receive-commands"]["reply"] = {
        "address": {
            "description": "replies, or the topic below it that the command names.",
            "location": "$message.payload#/reply_topic",
        },
        "channel": {"$ref": "#/channels/replies"},
    }
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Telemetry of a refrigerant recovery rig",
            "version": VERSION,
            "description": (
                "Sent from the point of view of the rig. QoS 1 throughout, so a message may come twice: "
                "`seq` tells, and a jump in it means that messages were lost. Times are ISO 8601 in UTC. "
                "Works with MQTT 3.1.1 and 5; nothing depends on MQTT 5 properties. Quantities are SI, "
                "pressures absolute; null means not known. What an outage cost is in the rig's journal."
            ),
            "license": {"name": "MIT"},
        },
        "defaultContentType": "application/json",
        "channels": channels,
        "operations": operations,
        "components": {"messages": sent},
    }


def files() -> dict[Path, str]:
    """Return every file of the contract with its text."""
    texts = {FOLDER / "schemas" / f"{name}.json": schema for name, schema in schemas().items()}
    texts[FOLDER / "asyncapi.json"] = asyncapi()
    return {path: msgspec.json.format(msgspec.json.encode(content)).decode() + "\n"
            for path, content in texts.items()}  # fmt: skip


def write() -> None:
    """Write the contract into the package."""
    for path, text in files().items():
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write()
