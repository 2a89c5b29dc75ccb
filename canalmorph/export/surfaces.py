"""``surfaces.npz``: what a case was measured on, so that it can be measured again without a scan.

Both surfaces, landmarks and frame of each femur, and the CT of its neighbourhood: the upper femur
in a box, the shaft in a tube around it. No patient, no date, no name of a file.
"""

import io
import json
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canalmorph.export.plain_parts import Members, Pack, pack_noun, unpack_noun
from canalmorph.model.femur import AlignedFemur, KneeView, Side
from canalmorph.model.volume import CtVolume, ScanFacts, SliceGap
from canalmorph.results_errors import UNREADABLE, RecordUnreadableError

SURFACES_NAME = "surfaces.npz"
#: Name and number of the file's form.
SURFACES_FORMAT = "canalmorph-surfaces-1"
#: The CT is kept this far around the bone's outer surface, and around the head as a multiple of
#: its radius: what the neck's sections and the pictures look at. [mm, 1]
AROUND_MM, AROUND_HEAD_RADII = 15.0, 2.2
#: Above this the neck begins: from here up one box is kept, whole. [mm above the trochanter]
UPPER_LEVEL_MM = -30.0
#: What stands where the CT was not kept. [HU]
LEFT_OUT_HU = -1024
#: How hard the file is packed: the usual 6 takes twice as long for a fiftieth less. [zlib's level]
PACKED = 4
#: Slices at a level share the bone's extent with those within this. [slices]
SHARED_SLICES = 3


def write_surfaces(path: Path, aligned: Sequence[AlignedFemur]) -> None:
    """Write what the femora of a case were measured on.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    members: Members = {}
    plain = {}
    for femur in aligned:
        side = femur.cortex.femur.side.value
        kept = find_kept(femur)

        def pack_crop(
            crop: CtVolume, name: str, into: Members, kept: NDArray[np.intp] = kept
        ) -> Any:
            return _pack_crop(crop, name, into, kept)

        special: dict[type, Pack] = {CtVolume: pack_crop, KneeView: _pack_knee}
        plain[side] = pack_noun(femur, side, members, special)
    text = json.dumps({"format": SURFACES_FORMAT, "femora": plain}, allow_nan=True)
    members["plain"] = np.frombuffer(text.encode(), dtype=np.uint8)
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=PACKED) as file:
        for name, array in members.items():
            with file.open(f"{name}.npy", "w", force_zip64=True) as member:
                np.lib.format.write_array(member, np.asanyarray(array), allow_pickle=False)
    path.write_bytes(stream.getvalue())


def read_surfaces(path: Path) -> tuple[AlignedFemur, ...]:
    """Return the femora of a case as they were measured, right before left.

    Raises
    ------
    RecordUnreadableError
        If the file is absent, damaged or of another form.
    """
    name = "/".join(path.parts[-3:])
    try:
        # Opened here: numpy leaves a file open that turns out to be damaged.
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as file:
            content = json.loads(file["plain"].tobytes())
            if content["format"] != SURFACES_FORMAT:
                raise ValueError("another form")
            return tuple(
                _read_femur(file, side.value, content["femora"][side.value])
                for side in (Side.RIGHT, Side.LEFT)
                if side.value in content["femora"]
            )
    except UNREADABLE as error:
        detail = f"The surfaces are absent or damaged ({type(error).__name__})."
        raise RecordUnreadableError(file=name, detail=detail) from error


def _read_femur(file: Any, side: str, plain: Any) -> AlignedFemur:
    """Return one femur; a side at a time, since new memory costs more here than unpacking."""
    members = {key: file[key] for key in file.files if key.startswith(f"{side}.")}
    special = {CtVolume: _unpack_crop, KneeView: _unpack_knee}
    femur: AlignedFemur = unpack_noun(AlignedFemur, plain, side, members, special)
    return femur


def find_kept(aligned: AlignedFemur) -> NDArray[np.intp]:
    """Return for each slice of the crop the rows and columns that are kept, (k, 2, 2): from, to."""
    femur = aligned.cortex.femur
    crop = femur.crop
    sizes = np.array(crop.voxels_hu.shape)
    margin = np.ceil(AROUND_MM / crop.spacing_mm[1:])
    points = aligned.cortex.outer_lps_mm.reshape(-1, 3)
    points = points[np.isfinite(points).all(axis=1)]
    index = _to_index(crop, points)
    levels = aligned.frame.lps_to_frame_mm(points)[:, 2]
    upper = index[levels > UPPER_LEVEL_MM]
    box = np.stack([upper.min(axis=0), upper.max(axis=0)]) if len(upper) else np.empty((0, 3))
    if femur.head is not None:
        around = AROUND_HEAD_RADII * femur.head.radius_mm / crop.spacing_mm
        centre = _to_index(crop, femur.head.centre_lps_mm[None])[0]
        box = np.concatenate([box, [centre - around, centre + around]])
    kept = np.zeros((sizes[0], 2, 2), dtype=np.intp)
    for k in range(sizes[0]):
        near = index[np.abs(index[:, 0] - k) <= SHARED_SLICES]
        if len(box) and box[:, 0].min() - SHARED_SLICES <= k:
            near = np.concatenate([near, box])
        if len(near):
            kept[k, 0] = np.clip(np.floor(near[:, 1:].min(axis=0) - margin), 0, sizes[1:])
            kept[k, 1] = np.clip(np.ceil(near[:, 1:].max(axis=0) + margin) + 1, 0, sizes[1:])
    return kept


def _to_index(crop: CtVolume, points_lps_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    inverse = np.linalg.inv(crop.index_to_lps_mm)
    return np.asarray(points_lps_mm @ inverse[:3, :3].T + inverse[:3, 3])


def _pack_crop(crop: CtVolume, name: str, members: Members, kept: NDArray[np.intp]) -> Any:
    """Pack the kept CT: differences along a row, low and high bytes apart, pack well."""
    voxels = np.full(crop.voxels_hu.shape, LEFT_OUT_HU, dtype=np.int16)
    for k, ((top, left), (bottom, right)) in enumerate(kept):
        voxels[k, top:bottom, left:right] = crop.voxels_hu[k, top:bottom, left:right]
    steps = np.diff(voxels, axis=2, prepend=np.int16(0)).astype("<i2")
    members[f"{name}.voxels"] = np.ascontiguousarray(
        np.moveaxis(steps.view(np.uint8).reshape(*steps.shape, 2), -1, 0)
    )
    members[f"{name}.index_to_lps_mm"] = crop.index_to_lps_mm
    return [pack_noun(gap, name, members, {}) for gap in crop.gaps]


def _unpack_crop(plain: Any, name: str, members: Mapping[str, NDArray[Any]]) -> CtVolume:
    low, high = members[f"{name}.voxels"]
    steps = high.astype(np.uint16)
    steps <<= 8
    steps |= low
    voxels = steps.view(np.int16)
    return CtVolume(
        voxels_hu=np.cumsum(voxels, axis=2, dtype=np.int16, out=voxels),
        index_to_lps_mm=members[f"{name}.index_to_lps_mm"],
        facts=_name_nothing(),
        gaps=tuple(unpack_noun(SliceGap, gap, name, members, {}) for gap in plain),
    )


def _pack_knee(knee: KneeView, name: str, members: Members) -> Any:
    """Pack where the knee's CT lies; the condyles are found already, and it is not kept."""
    members[f"{name}.index_to_lps_mm"] = knee.crop.index_to_lps_mm
    members[f"{name}.seed_lps_mm"] = knee.seed_lps_mm
    return {
        "shape": list(knee.crop.voxels_hu.shape),
        "second_block": knee.second_block,
        "gaps": [pack_noun(gap, name, members, {}) for gap in knee.crop.gaps],
    }


def _unpack_knee(plain: Any, name: str, members: Mapping[str, NDArray[Any]]) -> KneeView:
    # One number stands for all: nothing is read there.
    nothing = np.broadcast_to(np.int16(LEFT_OUT_HU), plain["shape"])
    crop = CtVolume(
        voxels_hu=nothing,
        index_to_lps_mm=members[f"{name}.index_to_lps_mm"],
        facts=_name_nothing(),
        gaps=tuple(unpack_noun(SliceGap, gap, name, members, {}) for gap in plain["gaps"]),
    )
    return KneeView(
        crop=crop,
        seed_lps_mm=members[f"{name}.seed_lps_mm"],
        second_block=bool(plain["second_block"]),
    )


def _name_nothing() -> ScanFacts:
    return ScanFacts(source="", file_format="", series_key="", input_sha256="")
