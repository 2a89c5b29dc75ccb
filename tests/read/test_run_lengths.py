"""Planes in runs of bytes: what pydicom writes, and what no plane is."""

import numpy as np
import pytest
from pydicom.pixels import get_encoder
from pydicom.uid import RLELossless

from canalmorph.read.run_lengths import unpack_plane

N_PIXELS = 40 * 50


def pack(plane: np.ndarray) -> bytes:
    """Return a frame of 16 bits a pixel."""
    return get_encoder(RLELossless).encode(
        plane,
        rows=plane.shape[0],
        columns=plane.shape[1],
        samples_per_pixel=1,
        bits_allocated=16,
        bits_stored=16,
        pixel_representation=0,
        photometric_interpretation="MONOCHROME2",
        number_of_frames=1,
    )


def draw_plane(kind: str) -> np.ndarray:
    rng = np.random.default_rng(3)
    if kind == "noise":
        return rng.integers(0, 1 << 16, (40, 50)).astype(np.uint16)
    if kind == "even":
        return np.full((40, 50), 4095, np.uint16)
    return np.repeat(rng.integers(0, 1 << 16, (40, 10)), 5, axis=1).astype(np.uint16)


@pytest.mark.parametrize("kind", ["noise", "even", "steps"])
def test_a_plane_comes_back_as_it_was(kind: str) -> None:
    plane = draw_plane(kind)
    assert np.array_equal(unpack_plane(pack(plane), N_PIXELS).reshape(plane.shape), plane)


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(lambda frame: frame[:40], id="shorter than its header"),
        pytest.param(lambda frame: b"\x03" + frame[1:], id="three segments"),
        pytest.param(lambda frame: frame[:8] + b"\xff" * 4 + frame[12:], id="begins outside"),
        pytest.param(
            lambda frame: frame[:8] + b"\x3e\0\0\0" + frame[12:], id="begins in the header"
        ),
        pytest.param(lambda frame: frame[:-9], id="ends early"),
        pytest.param(lambda frame: frame[:-6] + b"\x80" * 6, id="ends with what means nothing"),
        pytest.param(lambda frame: frame[:-6] + b"\x81" * 6, id="ends with long runs"),
        pytest.param(lambda frame: frame + b"\x01\x02\x03\x04", id="longer than the plane"),
    ],
)
def test_a_damaged_frame_gives_no_plane(spoil: object) -> None:
    with pytest.raises(ValueError, match=r"segment|header"):
        unpack_plane(spoil(pack(draw_plane("steps"))), N_PIXELS)
