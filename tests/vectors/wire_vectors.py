"""Reads wire.json: whole frames as hex beside the fields they carry."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from knuckle.wire import messages
from knuckle.wire.messages import Channel, ChannelKind, HostCommand, ResetCause, Sensor
from knuckle.wire.settings import SettingsRecord, StoredCalibration

VECTORS: dict[str, Any] = json.loads(
    Path(__file__).with_name("wire.json").read_text(encoding="utf-8")
)
POD_FRAMES = [vector for vector in VECTORS["frames"] if vector["sender"] == "pod"]
HOST_FRAMES = [vector for vector in VECTORS["frames"] if vector["sender"] == "host"]
_BYTES = {"identity", "payload", "data"}


def name_of(vector: dict[str, Any]) -> str:
    return str(vector["name"])


def _channel(row: dict[str, Any]) -> Channel:
    kind = row["kind"]
    known = kind in set(ChannelKind)
    return Channel(
        **{**row, "kind": ChannelKind(kind) if known else kind, "sensor": Sensor(row["sensor"])}
    )


def _field(name: str, value: Any) -> Any:
    if name in _BYTES:
        return bytes.fromhex(value)
    if name == "channels":
        return tuple(_channel(row) for row in value)
    if name == "reset_cause":
        return ResetCause(value)
    return tuple(value) if isinstance(value, list) else value


def message_of(vector: dict[str, Any]) -> messages.Message | HostCommand:
    """Build the message from the vector's fields alone."""
    kind = getattr(messages, vector["message"])
    made: messages.Message | HostCommand = kind(
        **{name: _field(name, value) for name, value in vector["fields"].items()}
    )
    return made


def _tuples(value: Any) -> Any:
    return tuple(_tuples(item) for item in value) if isinstance(value, list) else value


def record_of(vector: dict[str, Any]) -> SettingsRecord:
    fields = dict(vector["fields"])
    calibration = fields.pop("calibration")
    return SettingsRecord(
        **{**fields, "identity": bytes.fromhex(fields["identity"])},
        calibration=None
        if calibration is None
        else StoredCalibration(**{name: _tuples(value) for name, value in calibration.items()}),
    )
