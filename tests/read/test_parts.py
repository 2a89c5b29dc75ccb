"""The small parts: strict numbers, right-angled axes, settings, error classes, warning codes."""

import pickle

import numpy as np
import pytest

import canalmorph.errors
from canalmorph.errors import NotOrthogonalError, ReadError
from canalmorph.read.headers import looks_like_dicom
from canalmorph.read.raster import square_axes
from canalmorph.read.settings import ReadSettings

READ_ERRORS = [
    kind
    for kind in vars(canalmorph.errors).values()
    if isinstance(kind, type) and issubclass(kind, ReadError)
]


@pytest.mark.parametrize("kind", READ_ERRORS, ids=lambda kind: kind.__name__)
def test_read_errors_travel_whole_and_say_what_to_do(kind):
    error = kind(file="a/b", detail="Something is wrong.", tag="Rows (0028,0010)")
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is kind
    assert (back.file, back.detail, back.tag) == (error.file, error.detail, error.tag)
    assert str(back) == str(error)
    assert str(error).startswith("a/b [Rows (0028,0010)]: Something is wrong. ")
    assert str(error).endswith(".")


def test_each_reason_has_a_code_of_its_own():
    codes = [kind.code for kind in READ_ERRORS]
    assert len(set(codes)) == len(codes)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("min_slices", 2),
        ("position_tolerance_mm", 0.0),
        ("position_tolerance_mm", float("nan")),
        ("largest_thinned_mm", float("nan")),
        ("tilt_tolerance", 0.1),
        ("min_voxel_mm", -1.0),
        ("max_voxels", 0),
        ("threads", 0),
        ("nifti_transform", "any"),
    ],
)
def test_settings_name_the_wrong_field(field, value):
    with pytest.raises(ValueError, match=field):
        ReadSettings(**{field: value})


def test_square_axes_keeps_what_is_square_and_names_the_angle():
    turned = np.eye(4)
    c, s = np.cos(0.3), np.sin(0.3)
    turned[:3, :3] = np.array([[c, -s, 0], [s, c, 0], [0, 0, -1]]) * [3.0, 0.7, 0.8]
    squared, warnings = square_axes(turned, "a", "axes")
    assert np.allclose(squared, turned, atol=1e-14)
    assert warnings == ()
    sheared = turned.copy()
    # Two unit axes at 90 - 5 degrees.
    sheared[:3, 1] = 0.7 * (
        np.cos(np.radians(5)) * turned[:3, 1] / 0.7 + np.sin(np.radians(5)) * turned[:3, 0] / 3
    )
    with pytest.raises(NotOrthogonalError, match=r"5\.0 degrees"):
        square_axes(sheared, "a", "axes")


@pytest.mark.parametrize(
    "head",
    [
        b"",
        b"\0" * 200,
        b"\x08\x00",
        b"PK\x03\x04" + b"\0" * 200,
        b"%PDF-1.4" + b" " * 200,
        b"\x08\x00\x05\x00\xff\xff\xff\xff" * 30,
    ],
)
def test_what_is_no_dicom_does_not_look_like_it(head):
    assert not looks_like_dicom(head)
