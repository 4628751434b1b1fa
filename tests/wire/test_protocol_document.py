"""docs/protocol.md says what the program does: vectors, tables and examples."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from knuckle.wire import budget, framing, messages
from knuckle.wire.codec import LONGEST_NAME, MOST_CHANNELS
from knuckle.wire.commands import LONGEST_SETTINGS_PIECE, CommandDecoder
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import TextSample
from knuckle.wire.settings import RECORD_LENGTH
from knuckle.wire.text import LONGEST_LINE
from knuckle.wire.textlog import read_csv
from vectors.wire_vectors import VECTORS, message_of

DOCUMENT = (Path(__file__).parents[2] / "docs" / "protocol.md").read_text(encoding="utf-8")
PRINTED = re.findall(r"```frame (\w+)\n(.*?)```", DOCUMENT, re.DOTALL)
TEXT_EXAMPLES = re.findall(r"```csv\n(.*?)```", DOCUMENT, re.DOTALL)
BY_BYTES = {bytes.fromhex(vector["frame"]): vector for vector in VECTORS["frames"]}


@pytest.mark.parametrize(("kind", "printed"), PRINTED)
def test_printed_vectors_decode_and_stand_in_the_file(kind, printed):
    frame = bytes.fromhex(printed)
    vector = BY_BYTES[frame]
    decoder = CommandDecoder() if kind == "HostCommand" else PodDecoder()
    decoder.receive_data(frame)
    found = decoder.next_event()
    assert type(found).__name__ == kind == vector["message"]
    assert found == message_of(vector)
    assert decoder.next_event() is None


def test_each_message_has_a_printed_vector():
    decoded = {kind for kind, _ in PRINTED}
    assert decoded >= {"HostCommand", "Hello", "SampleBatch", "Status", "Fault", "Ack"}
    assert decoded >= {"SettingsData", "ClockReply", "SelfTestReply", "Button"}


def test_the_text_example_is_a_log_and_a_stream(tmp_path):
    (example,) = TEXT_EXAMPLES
    path = tmp_path / "example.csv"
    path.write_text(example)
    block, facts, notices = read_csv(path)
    assert len(block) == 3
    assert facts == {"id": "garage-2", "accelerometer_range_g": "2"}
    assert notices == []
    decoder = PodDecoder()
    decoder.receive_data(example.encode())
    assert sum(isinstance(message, TextSample) for message in decoder.events()) == 3


@pytest.mark.parametrize(
    "member",
    [
        member
        for kind in ("ResetCause", "ChannelKind", "Sensor", "FaultCode", "AckCode", "Cue")
        for member in getattr(messages, kind)
    ],
    ids=str,
)
def test_every_number_is_in_a_table(member):
    assert re.search(rf"^\| {member.value} \| `{member.name}`", DOCUMENT, re.MULTILINE)


@pytest.mark.parametrize("command", list(messages.Command), ids=str)
def test_every_command_is_in_the_table(command):
    assert re.search(rf"^\| `{command:02X}` \| `{command.name}` \|", DOCUMENT, re.MULTILINE)


@pytest.mark.parametrize("frame_type", list(messages.FrameType), ids=str)
def test_every_frame_type_has_a_section(frame_type):
    assert f"### `{frame_type:02X}` {frame_type.name}\n" in DOCUMENT


def test_limits():
    assert f"body {framing.LONGEST_BODY} bytes" in DOCUMENT
    assert f"name {LONGEST_NAME} bytes, {MOST_CHANNELS} channels" in DOCUMENT
    assert f"record {RECORD_LENGTH} bytes in pieces of {LONGEST_SETTINGS_PIECE}" in DOCUMENT
    assert f"up to {LONGEST_LINE} bytes" in DOCUMENT
    assert f"version **{messages.PROTOCOL}**" in DOCUMENT


WORKED = re.findall(
    r"^\| (\d+) \| (\d+) \| (\d+) \| (\d+) \| (\d+) \| ([\d.]+) \| (\d+) \| (\d+) \| "
    r"(\d+) of (\d+) \| (no|\*\*yes: (\d+) samples/s\*\*) \|$",
    DOCUMENT,
    re.MULTILINE,
)


@pytest.mark.parametrize("row", WORKED, ids=lambda row: f"{row[0]}-{row[1]}")
def test_the_worked_byte_budget(row):
    baud, averaging, size, count, frame = map(int, row[:5])
    table = message_of(VECTORS["frames"][0]).channels
    assert budget.sample_bytes(table, averaging) == size
    assert budget.samples_per_frame(table, averaging, 250, 250000) == count
    assert frame == 15 + count * size
    frames_per_s = 1000 / averaging / count
    assert float(row[5]) == round(frames_per_s, 1)
    assert int(row[6]) == round(frames_per_s * frame)
    assert int(row[7]) == round(frames_per_s * frame) + 120
    assert int(row[8]) == 0.9 * baud / 10
    assert int(row[9]) == baud / 10
    carried = budget.carries(baud, table, averaging, 250, 250000)
    assert carried == row[10].startswith("**yes")
    if carried:
        assert int(row[11]) == round(1000 / averaging)
        assert budget.least_averaging(baud, table, 250, 250000) == averaging


def test_the_worked_byte_budget_has_both_rates():
    assert {row[0] for row in WORKED if row[11]} == {"9600", "115200"}
    assert len(WORKED) == 5
