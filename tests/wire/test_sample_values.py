"""Raw sums to physical values, against sums taken apart by Python's own integers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from knuckle.wire.budget import carries, least_averaging, sample_bytes, samples_per_frame
from knuckle.wire.messages import Channel, ChannelKind, SampleBatch, Sensor, sample_width
from knuckle.wire.samples import fits, values
from vectors.wire_vectors import POD_FRAMES, VECTORS, message_of

HELLO = message_of(POD_FRAMES[0])
ODD = message_of(POD_FRAMES[2])


def batch_of(hello, rows, averaging):
    payload = b"".join(
        reading.to_bytes(sample_width(bits, averaging), "little", signed=True)
        for row in rows
        for reading, bits in zip(row, bits_of(hello), strict=True)
    )
    return SampleBatch(0, 0, averaging, len(rows), payload)


def bits_of(hello):
    return [channel.bits for channel in hello.channels for _ in range(channel.axes)]


@st.composite
def sums(draw, hello):
    averaging = draw(st.sampled_from([1, 2, 3, 16, 256, 257, 4096]))
    row = st.tuples(
        *(
            st.integers(-(2 ** (bits - 1)) * averaging, (2 ** (bits - 1) - 1) * averaging)
            for bits in bits_of(hello)
        )
    )
    return averaging, draw(st.lists(row, min_size=1, max_size=9))


@pytest.mark.parametrize("hello", [HELLO, ODD], ids=["mpu6050", "odd"])
@given(data=st.data())
def test_values_of_any_sums(hello, data):
    averaging, rows = data.draw(sums(hello))
    cut = data.draw(st.integers(1, len(rows)))
    batches = [batch_of(hello, part, averaging) for part in (rows[:cut], rows[cut:]) if part]
    found = values(hello, batches)
    columns = {}
    at = 0
    for channel in hello.channels:
        picked = np.array([row[at : at + channel.axes] for row in rows], dtype=float)
        made = channel.offset + channel.scale * picked / averaging
        columns.setdefault(channel.kind, []).append(made)
        at += channel.axes
    close = {"rtol": 1e-12, "atol": 1e-12}
    np.testing.assert_allclose(found.accel_g, columns[ChannelKind.ACCELEROMETER][0], **close)
    if ChannelKind.GYRO in columns:
        np.testing.assert_allclose(found.gyro_dps, columns[ChannelKind.GYRO][0], **close)
        np.testing.assert_allclose(found.temp_c, columns[ChannelKind.TEMPERATURE][0][:, 0], **close)
        assert found.linear_mm is None
    else:
        assert found.gyro_dps is None
        assert found.temp_c is None
        np.testing.assert_allclose(found.linear_mm, np.hstack(columns[ChannelKind.LINEAR]), **close)


def test_one_g_and_the_data_sheets_temperature():
    # Source: MPU-6050 data sheet rev 3.3: 16384 counts/g, 131 counts/(deg/s), -521 at 35 C.
    vector = next(v for v in POD_FRAMES if v["name"].startswith("two samples"))
    found = values(HELLO, [message_of(vector)])
    assert found.accel_g[0].tolist() == [1.0, 0.0, -1 / 16384]
    np.testing.assert_allclose(found.gyro_dps[0], [1.0, -1.0, 0.0], rtol=1e-7)
    assert found.temp_c[0] == pytest.approx(35, abs=1e-5)


def test_clipping_is_seen_on_any_axis_of_the_accelerometer():
    rows = [[0] * 7 for _ in range(5)]
    rows[1][0], rows[2][2], rows[3][3] = 32767, -32768, 32767
    found = values(HELLO, [batch_of(HELLO, rows, 1)])
    assert found.clipped.tolist() == [False, True, True, False, False]


def test_of_two_accelerometers_the_first_counts():
    hello = HELLO._replace(channels=(HELLO.channels[0], HELLO.channels[0]))
    found = values(hello, [batch_of(hello, [[100, 0, 0, 32767, 0, 0], [32767, 0, 0, 1, 0, 0]], 1)])
    assert found.accel_g[:, 0].tolist() == [100 / 16384, 32767 / 16384]
    assert found.clipped.tolist() == [False, True]


def test_batches_that_do_not_fit_are_refused():
    batch = batch_of(HELLO, [[0] * 7], 1)
    assert fits(HELLO, batch)
    assert not fits(HELLO, batch._replace(payload=batch.payload + b"\0\0"))
    assert not fits(HELLO._replace(channels=()), batch)
    assert not fits(ODD, batch._replace(averaging=65535))
    with pytest.raises(ValueError):
        values(HELLO, [batch, batch_of(HELLO, [[0] * 7], 2)])
    with pytest.raises(ValueError):
        values(HELLO, [])
    with pytest.raises(ValueError):
        values(HELLO, [batch, batch._replace(mask=7)])


def test_a_pod_without_accelerometer_has_its_other_channels():
    gyro_only = HELLO._replace(channels=HELLO.channels[1:2])
    found = values(gyro_only, [batch_of(gyro_only, [[131, 0, 0]], 1)])
    assert found.accel_g is None
    np.testing.assert_allclose(found.gyro_dps, [[1.0, 0.0, 0.0]], rtol=1e-7)
    assert not found.clipped.any()


FULL = message_of(next(v for v in POD_FRAMES if v["name"].startswith("hello of an ADXL355")))


def frame_named(start):
    return message_of(next(v for v in POD_FRAMES if v["name"].startswith(start)))


def test_the_rows_of_adxl355_potentiometer_and_caliper():
    # Sources: ADXL355 data sheet, from memory: 256000 counts/g at +-2 g; temperature 1885 at
    # 25 C, -9.05 counts/C. The caliper shows 0.01 mm, in inches 0.0005 in, from memory.
    found = values(FULL, [frame_named("one sample of ADXL355, gyro")])
    np.testing.assert_allclose(found.accel_g, [[-0.02, 0.01, 1.0]], rtol=1e-7)
    np.testing.assert_allclose(found.gyro_dps, [[1.0, -1.0, 0.0]], rtol=1e-3)
    np.testing.assert_allclose(found.temp_c, [25.0], atol=1e-4)
    np.testing.assert_allclose(found.linear_mm, [[8192 / 16368 * 100, 10 * 0.0127]], rtol=1e-6)
    assert 100 * FULL.channels[4].scale == pytest.approx(0.01, rel=1e-6)
    assert 127 * FULL.channels[4].scale == pytest.approx(0.0005 * 25.4, rel=1e-6)


def test_a_partial_frame_has_the_rows_of_its_mask_and_nothing_else():
    frame = frame_named("partial: two samples of rows 1 and 4")
    assert fits(FULL, frame)
    found = values(FULL, [frame])
    assert found.accel_g is None
    np.testing.assert_allclose(found.gyro_dps, [[1.0, -1.0, 0.0]] * 2, rtol=1e-3)
    assert np.isnan(found.temp_c).all()
    assert np.isnan(found.linear_mm[:, 0]).all()
    np.testing.assert_allclose(found.linear_mm[:, 1], [-1.2345] * 2, rtol=1e-6)
    assert not found.clipped.any()


def test_a_partial_frame_of_all_rows_reads_as_a_whole_one():
    whole, partial = frame_named("one sample of ADXL355, gyro"), frame_named("partial: all five")
    one, other = values(FULL, [whole]), values(FULL, [partial])
    for name in ("accel_g", "gyro_dps", "temp_c", "linear_mm", "clipped"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


def test_masks_that_do_not_fit():
    frame = frame_named("partial: two samples of rows 1 and 4")
    assert not fits(FULL, frame._replace(mask=0x32))  # a row that the table has not
    assert not fits(FULL, frame._replace(mask=0x13))  # more bytes than were sent
    assert not fits(FULL, frame._replace(mask=0x02))
    assert not fits(FULL._replace(channels=()), frame)


@pytest.mark.parametrize("case", VECTORS["averaging"], ids=lambda c: str(c["baud"]))
def test_least_averaging_of_the_vectors(case):
    table = [
        Channel(ChannelKind.LINEAR, Sensor.UNKNOWN, row["axes"], row["bits"], 1.0, 0.0, 1.0, 0.0)
        for row in case["channels"]
    ]
    period, tick_hz, baud = case["raw_period_ticks"], case["tick_hz"], case["baud"]
    least = least_averaging(baud, table, period, tick_hz)
    assert least == case["least_averaging"]
    assert sample_bytes(table, least) == case["sample_bytes"]
    count = samples_per_frame(table, least, period, tick_hz)
    assert count == case["samples_per_frame"]
    rate_hz = tick_hz / (period * least)
    bytes_per_s = rate_hz / count * (15 + count * case["sample_bytes"])
    assert bytes_per_s + 120 <= 0.9 * baud / 10
    assert all(carries(baud, table, n, period, tick_hz) for n in range(least, 4097))


def test_a_line_that_carries_nothing():
    with pytest.raises(ValueError, match="300 baud"):
        least_averaging(300, HELLO.channels, 250, 250000)
