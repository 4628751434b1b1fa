from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.image import imread

from knuckle.errors import RecordingError, UsageError
from knuckle.model.wheel import Wheel
from knuckle.report.plot import plot_camber, plot_samples, plot_sweep, save
from knuckle.report.residuals import residuals_of
from report.made_sweep import made_block, made_outcome, made_rests, refused


def drawn(figure: Figure) -> str:
    return " | ".join(
        text.get_text() for text in figure.findobj(lambda item: hasattr(item, "get_text"))
    )


def test_samples_show_every_reading_and_shade_the_rests():
    block, outcome = made_block(), made_outcome()
    figure = plot_samples(block, outcome.rests, outcome, "Run 1")
    panels = figure.axes
    assert len(panels) == 4
    for axis in range(3):
        (line,) = panels[axis].get_lines()
        assert np.array_equal(line.get_ydata(), block.accel_g[:, axis])
        assert np.array_equal(line.get_xdata(), block.t_s)
    assert len(panels[3].get_lines()) == 3
    for panel in panels:
        shades = [(patch.get_x(), patch.get_x() + patch.get_width()) for patch in panel.patches]
        spans = [(rest.start_s, rest.end_s) for rest in outcome.rests]
        assert np.array(shades) == pytest.approx(np.array(spans))
    assert {"straight", "in", "out"} <= set(drawn(figure).split(" | "))


def test_pod_without_gyro_has_three_panels():
    block = replace(made_block(), gyro_dps=None)
    assert len(plot_samples(block, (), None).axes) == 3


def test_line_is_broken_where_samples_are_missing():
    block = made_block()
    lost = block.lost_before.copy()
    lost[700] = 12
    stretch = block.stretch.copy()
    stretch[1500:] = 1
    figure = plot_samples(replace(block, lost_before=lost, stretch=stretch), (), None)
    values = figure.axes[0].get_lines()[0].get_ydata()
    assert list(np.flatnonzero(np.isnan(values))) == [700, 1501]


def test_long_recording_keeps_its_extremes_and_its_gaps():
    block = made_block(repeats=30)
    accel = block.accel_g.copy()
    accel[12_345, 1] = 1.7
    accel[45_678, 1] = -1.6
    lost = block.lost_before.copy()
    lost[[20_000, 50_000]] = 3
    block = replace(block, accel_g=accel, lost_before=lost)
    figure = plot_samples(block, (), None)
    line = figure.axes[1].get_lines()[0]
    values = np.asarray(line.get_ydata())
    assert values.size < len(block) / 4
    assert np.nanmax(values) == 1.7 and np.nanmin(values) == -1.6
    assert np.count_nonzero(np.isnan(values)) == 2
    where = np.asarray(line.get_xdata())[np.flatnonzero(np.isnan(values)) + 1]
    assert where == pytest.approx(block.t_s[[20_000, 50_000]])


@pytest.mark.parametrize("wheel", [Wheel.LF, Wheel.RF])
def test_sweep_draws_rests_fit_bars_and_residuals(wheel: Wheel):
    outcome = made_outcome(wheel, error_deg=0.0)
    rests = made_rests(made_block(wheel), outcome)
    figure = plot_sweep(outcome, rests=rests)
    top, bottom = figure.axes
    curve = top.get_lines()[0]
    for rest in outcome.rests:
        on_curve = np.interp(rest.steer_deg, curve.get_xdata(), curve.get_ydata())
        assert on_curve == pytest.approx(rest.camber_deg, abs=1e-3)
    left_over = residuals_of(outcome.rests, rests)
    assert left_over is not None
    shown = np.concatenate([bar[0].get_ydata() for bar in bottom.containers])
    assert sorted(shown) == pytest.approx(sorted(left_over.values_deg))
    lengths = [np.ptp(part[:, 1]) for bar in top.containers for part in bar[2][0].get_segments()]
    assert lengths == pytest.approx([0.12] * 5)
    assert np.ptp(bottom.get_ylim()) < 0.3
    text = drawn(figure)
    assert "caster 5.00 ± 0.31 deg" in text and wheel.spoken in text
    assert ("left (out)" if wheel.is_left else "left (in)") in text


def test_residuals_are_free_of_what_all_rests_share():
    """Bias, cross-axis, scale and a turned chip leave nothing over; noise stays."""
    block, outcome = made_block(), made_outcome(error_deg=0.0)
    plain = residuals_of(outcome.rests, made_rests(block, outcome))
    matrix = np.array([[1.01, 0.02, 0.0], [0.026, 0.97, 0.004], [0.0, 0.0, 1.02]])
    spoiled = replace(block, accel_g=block.accel_g @ matrix.T + [0.03, -0.04, 0.02])
    shared = residuals_of(outcome.rests, made_rests(spoiled, outcome))
    assert plain is not None and shared is not None
    noise_deg = np.degrees(0.003 / np.sqrt(300))
    assert np.max(np.abs(plain.values_deg)) < 4 * noise_deg
    assert shared.values_deg == pytest.approx(plain.values_deg, abs=0.2 * noise_deg)
    assert plain.bars_deg == pytest.approx([1.96 * noise_deg] * 5, rel=0.2)


def test_residuals_show_a_rest_that_does_not_belong():
    block, outcome = made_block(), made_outcome(error_deg=0.0)
    rests = made_rests(block, outcome)
    slipped = rests[2].accel_g + np.array([0.0, np.radians(0.3), 0.0])
    rests[2] = replace(rests[2], accel_g=slipped)
    left_over = residuals_of(outcome.rests, rests)
    assert left_over is not None
    assert left_over.values_deg[2] == pytest.approx(-0.2, abs=0.03), "two thirds of 0.3 stay"
    assert abs(left_over.values_deg[2]) > 5 * left_over.bars_deg[2]


def test_too_few_rests_leave_nothing_over():
    outcome = made_outcome()
    rests = made_rests(made_block(), outcome)
    assert residuals_of(outcome.rests, rests[:-1]) is None, "one is not found again"
    assert residuals_of(outcome.rests[:3], rests) is None
    assert len(plot_sweep(outcome).axes) == 1


def test_refused_sweep_is_drawn_without_a_fit():
    outcome = made_outcome()
    figure = plot_sweep(refused(outcome), rests=made_rests(made_block(), outcome))
    assert len(figure.axes) == 1
    assert "SWEEP_TOO_SMALL" in drawn(figure)


def test_what_cannot_be_drawn_is_told():
    outcome = made_outcome()
    blind = replace(outcome, rests=tuple(replace(r, steer_deg=None) for r in outcome.rests))
    with pytest.raises(UsageError, match="no steer angle"):
        plot_sweep(blind)
    with pytest.raises(UsageError, match="no rest"):
        plot_camber(replace(outcome, rests=()))


def test_camber_draws_each_rest_and_the_result():
    figure = plot_camber(made_outcome())
    (panel,) = figure.axes
    assert len(panel.containers[0][0].get_ydata()) == 5
    band = panel.patches[0]
    assert (band.get_y(), band.get_height()) == pytest.approx((-1.081, 0.162))


@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_files_are_written_and_the_same_each_time(tmp_path: Path, suffix: str):
    contents = []
    for name in ("one", "two"):
        path = tmp_path / (name + suffix)
        save(plot_sweep(made_outcome()), path)
        contents.append(path.read_bytes())
    assert contents[0] == contents[1]
    assert contents[0].startswith(b"\x89PNG" if suffix == ".png" else b"<?xml")
    with pytest.raises(UsageError, match="exists already"):
        save(plot_sweep(made_outcome()), path)


def test_picture_needs_no_colour(tmp_path: Path):
    block, outcome = made_block(), made_outcome()
    figures = [
        plot_sweep(outcome),
        plot_samples(block, outcome.rests, outcome),
        plot_camber(outcome),
    ]
    for number, figure in enumerate(figures):
        path = tmp_path / f"{number}.png"
        save(figure, path)
        pixels = imread(path)[..., :3]
        assert np.ptp(pixels, axis=2).max() < 0.02, "every pixel is a grey"
        for line in figure.findobj(lambda item: hasattr(item, "get_linestyle")):
            if hasattr(line, "get_color") and isinstance(line.get_color(), str):
                red, green, blue = to_rgb(line.get_color())
                assert red == green == blue


def test_places_that_cannot_be_written_are_told(tmp_path: Path):
    figure = plot_camber(made_outcome())
    with pytest.raises(UsageError, match=r"\.jpg"):
        save(figure, tmp_path / "plot.jpg")
    with pytest.raises(RecordingError, match="cannot be written"):
        save(figure, tmp_path / "absent" / "plot.png")


def test_matplotlib_comes_in_with_the_plot_module_only():
    code = (
        "import sys, knuckle.report.export, knuckle.report.summary, knuckle.report.run_json;"
        "assert 'matplotlib' not in sys.modules;"
        "import knuckle.report.plot;"
        "assert 'matplotlib' in sys.modules and 'matplotlib.pyplot' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=120)
