"""``pictures.npz``: the CT pictures of a case, so that its pages can be drawn again without CT.

Members, for ``SIDE`` left or right: ``SIDE_ap`` and ``SIDE_lateral``, the projections (uint8, first
row lowest), with ``SIDE_ap_mm`` and ``SIDE_lateral_mm``, their edges (2, 2): across, vertical;
``SIDE_level_mm`` (n,), ``SIDE_edges_mm`` (n, 2, 2): medial, posterior; ``SIDE_jpeg``, the sections'
files one after the other, and ``SIDE_jpeg_bytes`` (n,), their lengths. No patient, no date.
"""

import io
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canalmorph.model.femur import Side
from canalmorph.report.pictures import FemurPictures, PackedSection
from canalmorph.report.projection import Picture
from canalmorph.results_errors import UNREADABLE, RecordUnreadableError

PICTURES_NAME = "pictures.npz"


def write_pictures(path: Path, pictures: tuple[FemurPictures, ...]) -> None:
    """Write the pictures of one case.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    members: dict[str, NDArray[Any]] = {}
    for femur in pictures:
        members |= _pack_femur(femur)
    stream = io.BytesIO()
    np.savez_compressed(stream, allow_pickle=False, **members)
    path.write_bytes(stream.getvalue())


def read_pictures(path: Path) -> tuple[FemurPictures, ...]:
    """Return the pictures of one case, right before left.

    Raises
    ------
    RecordUnreadableError
        If the file is absent or damaged.
    """
    try:
        # Opened here: numpy leaves a file open that turns out to be damaged.
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as members:
            return tuple(
                _unpack_femur(side, members)
                for side in (Side.RIGHT, Side.LEFT)
                if f"{side}_ap" in members
            )
    except UNREADABLE as error:
        detail = f"The pictures are absent or damaged ({type(error).__name__})."
        raise RecordUnreadableError(file="/".join(path.parts[-3:]), detail=detail) from error


def _pack_femur(femur: FemurPictures) -> dict[str, NDArray[Any]]:
    cuts = femur.sections
    members: dict[str, NDArray[Any]] = {
        "level_mm": np.array([cut.level_mm for cut in cuts]),
        "edges_mm": np.array([(cut.medial_mm, cut.posterior_mm) for cut in cuts]),
        "jpeg": np.frombuffer(b"".join(cut.jpeg for cut in cuts), dtype=np.uint8),
        "jpeg_bytes": np.array([len(cut.jpeg) for cut in cuts]),
    }
    for name, picture in (("ap", femur.ap), ("lateral", femur.lateral)):
        members[name] = picture.grey
        members[f"{name}_mm"] = np.array([picture.across_mm, picture.vertical_mm])
    return {f"{femur.side}_{name}": member for name, member in members.items()}


def _unpack_femur(side: Side, members: Any) -> FemurPictures:
    def get(name: str) -> NDArray[Any]:
        return np.asarray(members[f"{side}_{name}"])

    films = [
        Picture(grey=get(name), across_mm=_pair(edges[0]), vertical_mm=_pair(edges[1]))
        for name in ("ap", "lateral")
        for edges in (get(f"{name}_mm"),)
    ]
    ends = np.cumsum(get("jpeg_bytes"))
    files = [part.tobytes() for part in np.split(get("jpeg"), ends[:-1])]
    sections = tuple(
        PackedSection(
            level_mm=float(level_mm),
            jpeg=file,
            medial_mm=_pair(edge[0]),
            posterior_mm=_pair(edge[1]),
        )
        for level_mm, edge, file in zip(get("level_mm"), get("edges_mm"), files, strict=True)
    )
    return FemurPictures(side=side, ap=films[0], lateral=films[1], sections=sections)


def _pair(edges: NDArray[np.float64]) -> tuple[float, float]:
    return float(edges[0]), float(edges[1])
