"""Published head centres, radii and neck-shaft angles of real femora, from their surfaces.

Source: LibHip (MIT), `m*_bone_ant.csv` beside the surfaces of the same bones. Each surface is
filled, given a shell, blurred as a scanner does, and measured; no truth of ours is used.
"""

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import ndimage

from canalmorph.model.volume import CtVolume, ScanFacts

if TYPE_CHECKING:
    from conftest import Stages

pytestmark = [pytest.mark.outside_data, pytest.mark.slow]

#: Distance of the samples of the solid, and of the voxels made of them. [mm]
FINE_MM, BLOCK = 0.4, 2
SHELL_MM, SHAFT_WALL_MM, BLUR_MM = 1.2, 4.0, 0.5
#: How far ways to mark may differ that mean the same. [mm, deg]
CENTRE_MM, RADIUS_MM, ANGLE_DEG = 1.0, 1.0, 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Published:
    """What is printed of one bone."""

    centre_mm: np.ndarray
    radius_mm: float
    distal_mm: np.ndarray
    angle_deg: float


def read_published(folder: Path, bone: str, side: str) -> Published:
    words = {"l": "Left", "r": "Right"}[side]
    with (folder / f"{bone}_bone_ant.csv").open(encoding="utf-8") as file:
        rows = {row[1]: row[2] for row in csv.reader(file)}

    def find(start: str) -> str:
        return next(value for name, value in rows.items() if name.startswith(start))

    def numbers(text: str) -> np.ndarray:
        return np.array([float(word) for word in text.strip("[] ").split()])

    return Published(
        centre_mm=numbers(find(f"The {words} Hip Joint Center")),
        radius_mm=float(find(f"The {words} Mean Actual Radius")),
        distal_mm=numbers(find(f"The {words} Femur Distal")),
        angle_deg=float(find(f"The {words} neck-shaft angle")),
    )


def read_triangles(path: Path) -> np.ndarray:
    """Return the corners of a binary STL file, (n, 3, 3) [mm]."""
    raw = path.read_bytes()
    layout = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("rest", "<u2")])
    return np.frombuffer(raw, layout, offset=84)["corners"].astype(float)


def fill_surface(triangles: np.ndarray, low: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """Return which samples lie inside, by crossings along x; axes are (z, y, x)."""
    flips = np.zeros((*shape[:2], shape[2] + 1), dtype=np.int8)
    for corners in (triangles - low) / FINE_MM:
        x, y, z = corners.T
        rows = np.arange(max(0, np.ceil(z.min())), min(shape[0] - 1, np.floor(z.max())) + 1)
        columns = np.arange(max(0, np.ceil(y.min())), min(shape[1] - 1, np.floor(y.max())) + 1)
        twice = (y[1] - y[0]) * (z[2] - z[0]) - (y[2] - y[0]) * (z[1] - z[0])
        if len(rows) == 0 or len(columns) == 0 or twice == 0:
            continue
        k, j = np.meshgrid(rows, columns, indexing="ij")
        # A hair off the grid, so that no line runs through an edge of two triangles.
        dz, dy = k + 1.7e-5 - z[0], j + 2.3e-5 - y[0]
        b = (dy * (z[2] - z[0]) - (y[2] - y[0]) * dz) / twice
        c = ((y[1] - y[0]) * dz - dy * (z[1] - z[0])) / twice
        hit = (b >= 0) & (c >= 0) & (b + c <= 1)
        at = np.ceil(x[0] + b * (x[1] - x[0]) + c * (x[2] - x[0]))[hit]
        place = np.clip(at, 0, shape[2]).astype(int)
        np.add.at(flips, (k[hit].astype(int), j[hit].astype(int), place), 1)
    return (np.cumsum(flips[..., :-1], axis=2) % 2).astype(bool)


def make_scan(triangles: np.ndarray, name: str) -> CtVolume:
    """Return a scan of a bone alone in muscle, its cut end below the scan."""
    low = triangles.min(axis=(0, 1)) - [15.0, 15.0, -6.0]
    high = triangles.max(axis=(0, 1)) + 15.0
    shape = tuple(int(n) // BLOCK * BLOCK for n in ((high - low) / FINE_MM)[::-1])
    solid = fill_surface(triangles, low, shape)
    depth = ndimage.distance_transform_edt(solid, sampling=FINE_MM).astype(np.float32)
    from_top = (high[2] - low[2]) - FINE_MM * np.arange(shape[0])
    wall = np.interp(from_top, [75.0, 100.0], [SHELL_MM, SHAFT_WALL_MM])[:, None, None]
    inside = np.interp(from_top, [70.0, 110.0], [250.0, -50.0])[:, None, None]
    hu = np.where(solid, np.where(depth < wall, 1500.0, inside), 60.0).astype(np.float32)
    hu = ndimage.gaussian_filter(hu, BLUR_MM / FINE_MM)
    k, j, i = (n // BLOCK for n in shape)
    hu = hu.reshape(k, BLOCK, j, BLOCK, i, BLOCK).mean(axis=(1, 3, 5))
    hu += np.random.default_rng(3).normal(0.0, 10.0, hu.shape)
    affine = np.zeros((4, 4))
    affine[2, 0] = affine[1, 1] = affine[0, 2] = FINE_MM * BLOCK
    affine[:3, 3] = low + FINE_MM * (BLOCK - 1) / 2
    affine[3, 3] = 1.0
    facts = ScanFacts(source=name, file_format="nifti", series_key=name, input_sha256="")
    return CtVolume(voxels_hu=np.rint(hu).astype(np.int16), index_to_lps_mm=affine, facts=facts)


def angle_at(vertex: np.ndarray, first: np.ndarray, second: np.ndarray) -> float:
    a, b = first - vertex, second - vertex
    return float(np.degrees(np.arccos(a @ b / np.linalg.norm(a) / np.linalg.norm(b))))


@pytest.mark.parametrize(
    ("bone", "side", "agrees"),
    [("m4", "l", True), ("m4", "r", True), ("m8", "l", True), ("m3", "l", False)],
)
def test_heads_and_angles_agree_or_are_defined_otherwise(
    virtual_ct: Path,
    measure_stages: Callable[[CtVolume], "Stages"],
    bone: str,
    side: str,
    agrees: bool,
) -> None:
    folder = virtual_ct / "surfaces"
    triangles = read_triangles(folder / f"{bone}_{side}femur_mm.stl")
    printed = read_published(folder, bone, side)
    aligned = measure_stages(make_scan(triangles, bone)).aligned
    head, neck = aligned.cortex.femur.head, aligned.neck
    assert head is not None
    assert neck is not None
    away = float(np.linalg.norm(head.centre_lps_mm - printed.centre_mm))
    surface = triangles.mean(axis=1)
    on_head = np.abs(np.linalg.norm(surface - head.centre_lps_mm, axis=1) - head.radius_mm) < 1.0
    ours = np.linalg.norm(surface[on_head] - head.centre_lps_mm, axis=1)
    theirs = np.linalg.norm(surface[on_head] - printed.centre_mm, axis=1)
    assert ours.std() < 0.5
    if agrees:
        # The radius is printed in whole millimetres.
        assert away < CENTRE_MM + head.centre_u_mm
        assert abs(head.radius_mm - printed.radius_mm) < RADIUS_MM
    else:
        # The printed centre is no centre of the head's bone: its distances from it scatter by
        # millimetres, those from ours by tenths. It belongs to the joint, not to a sphere on the
        # head, and the printed radius is then larger than the head's.
        assert theirs.std() > 4 * ours.std()
        assert printed.radius_mm > head.radius_mm + RADIUS_MM
    angle = 180.0 - float(np.degrees(np.arccos(neck.direction @ aligned.frame.proximal)))
    if abs(angle - printed.angle_deg) > ANGLE_DEG:
        # Ours is against the axis of the shaft. The printed one is an angle at a corner, towards
        # the printed middle of the cut end: at the crossing of neck and shaft axis it is ours, at
        # the neck's narrowest section 11 degrees more; the printed number lies between. Where
        # the corner was put is not printed, so that this is the reason as far as it can be told.
        at_neck = angle_at(neck.centre_lps_mm, head.centre_lps_mm, printed.distal_mm)
        assert angle < printed.angle_deg < at_neck
