"""What is wrong with a log is found block by block, said, and left out."""

import numpy as np
import pytest

from shaftloop.analysis.logs.soundness import Findings, Inspector


def inspected(
    time: np.ndarray, *columns: np.ndarray, block: int = 300
) -> tuple[np.ndarray, np.ndarray, Findings]:
    inspector = Inspector([f"c{i}" for i in range(len(columns))])
    values = np.column_stack(columns)
    parts = [
        inspector.feed(time[first : first + block], values[first : first + block])
        for first in range(0, len(time), block)
    ]
    return (
        np.concatenate([part[0] for part in parts]),
        np.concatenate([part[1] for part in parts]),
        inspector.findings(),
    )


TIME = np.arange(1000) / 500.0
NOISE = np.random.default_rng(3).normal(size=1000)


def test_a_sound_log_has_no_findings() -> None:
    time, values, found = inspected(TIME, NOISE)
    assert found.said() == [] and found.period == pytest.approx(0.002) and found.rows == 1000
    np.testing.assert_array_equal(time, TIME)
    np.testing.assert_array_equal(values[:, 0], NOISE)
    assert (found.first, found.last) == (0.0, TIME[-1])


def test_gaps_are_counted_with_what_they_swallow_across_blocks() -> None:
    keep = np.r_[0:300, 350:700, 702:1000]
    _, _, found = inspected(TIME[keep], NOISE[keep])
    assert (found.gap_count, found.lost) == (2, 52)
    assert found.gaps[0] == (pytest.approx(TIME[299]), pytest.approx(0.1))
    assert "2 gaps, 52 samples lost; the longest 0.1 s at 0.598 s" in found.said()[0]


def test_rows_whose_time_does_not_rise_are_left_out() -> None:
    time = TIME.copy()
    time[400], time[800:810] = time[399], time[795]
    kept, values, found = inspected(time, NOISE)
    assert (found.repeated, found.backwards) == (1, 10)
    assert len(kept) == len(values) == 989 and np.all(np.diff(kept) > 0.0)


def test_jitter_of_the_stamps() -> None:
    jitter = np.random.default_rng(4).uniform(-1e-4, 1e-4, 1000)
    _, _, found = inspected(TIME + jitter, NOISE)
    # The distance of two stamps jitters by sqrt(2) times the stamps, which are uniform.
    assert found.jitter == pytest.approx(1e-4 / np.sqrt(3.0) * np.sqrt(2.0), rel=0.1)
    assert "stamps jitter by" in found.said()[0]


def test_saturated_and_held_values_are_told_apart_and_left_out() -> None:
    clipped = np.clip(NOISE, -9.0, 9.0)
    clipped[100:120], clipped[500:530] = 9.0, clipped[499]
    _, values, found = inspected(TIME, clipped, np.repeat(NOISE[:100], 10))
    assert (found.columns[0].saturated, found.columns[0].held) == (20, 31)
    assert np.isnan(values[100:120, 0]).all() and np.isnan(values[499:530, 0]).all()
    # Ten equal values in a row everywhere: sampled more slowly than recorded, which is no fault.
    assert not found.columns[1].lively and np.isfinite(values[:, 1]).all()


def test_a_column_may_rest_at_zero_but_not_jump_there() -> None:
    smooth = np.sin(2.0 * np.pi * np.maximum(TIME - 0.1, 0.0))
    assert inspected(TIME, smooth, block=1000)[2].said() == []
    smooth[330:340] = 0.0
    assert inspected(TIME, smooth, block=1000)[2].columns[0].held == 10


def test_missing_values_are_counted() -> None:
    values = NOISE.copy()
    values[5] = np.nan
    assert inspected(TIME, values)[2].columns[0].missing == 1


def test_the_step_of_a_quantiser_is_seen() -> None:
    _, _, found = inspected(TIME, np.round(NOISE / 0.05) * 0.05, NOISE)
    assert found.columns[0].step == pytest.approx(0.05)
    assert found.columns[1].step is None
