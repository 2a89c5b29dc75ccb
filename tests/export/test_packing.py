"""Packed outlines come back to half a step, gaps as gaps."""

import numpy as np
import pytest

from canalmorph.export.packing import LARGEST_MM, STEP_MM, pack_outlines, unpack_outlines


def test_outlines_come_back_to_half_a_step() -> None:
    points_mm = np.random.default_rng(3).uniform(-LARGEST_MM, LARGEST_MM, (40, 30, 2))
    points_mm[5:9, 3], points_mm[20], points_mm[0, 0, 1] = np.nan, np.nan, np.nan
    back = unpack_outlines(pack_outlines(points_mm))
    # Rounding errs by half a step, and a little by the last bit.
    np.testing.assert_allclose(back, points_mm, rtol=0, atol=STEP_MM / 2 + 1e-9, equal_nan=True)
    assert pack_outlines(back) == pack_outlines(points_mm)


def test_a_point_too_far_away_is_a_wrong_call() -> None:
    with pytest.raises(ValueError, match="points_mm"):
        pack_outlines(np.full((2, 3, 2), LARGEST_MM + 1))


@pytest.mark.parametrize("packed", ["", "!!", "AAAA"])
def test_damaged_text_is_an_error(packed: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        unpack_outlines({"shape": [1, 1, 2], "step_mm": 0.01, "packed": packed})
