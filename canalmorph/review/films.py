"""The projections of a case in the frame that its marks give, kept while it is looked at."""

import io
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

import numpy as np
from PIL import Image

from canalmorph.errors import CanalMorphError
from canalmorph.model.femur import AlignedFemur, FemurFrame, Side
from canalmorph.model.results import FemurResult
from canalmorph.report.picture_file import PICTURES_NAME, read_pictures
from canalmorph.report.pictures import find_box
from canalmorph.report.projection import Picture, project_femur

#: Films that are kept at hand; each is some 100 kB.
N_KEPT = 64
#: Frames that differ by less are the same, seen on a film. [1, mm]
SAME_DIRECTION, SAME_PLACE_MM = 1e-6, 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptFilm:
    """A projection under the name that the page asks for it by; `anew` where not as measured."""

    key: str
    picture: Picture
    anew: bool = False

    def make_png(self) -> bytes:
        """Return its greys, first row at the top of the film."""
        stream = io.BytesIO()
        Image.fromarray(np.ascontiguousarray(self.picture.grey[::-1])).save(stream, "PNG")
        return stream.getvalue()


class FilmStore:
    """The films of one results folder."""

    def __init__(self, cases: Path) -> None:
        self._cases = cases
        self._kept: OrderedDict[str, KeptFilm] = OrderedDict()
        self._lock = Lock()

    def find(self, key: str) -> KeptFilm | None:
        """Return a film that `take` gave, if it is still there."""
        with self._lock:
            return self._kept.get(key)

    def take(
        self,
        case_id: str,
        automatic: FemurResult,
        femur: FemurResult,
        aligned: AlignedFemur | None,
    ) -> dict[str, KeptFilm]:
        """Return the AP and the lateral film of a femur, empty where there is none.

        While marks leave its directions as they were found, the film is the one that was taken
        when it was measured, moved along the shaft with level 0; else it is projected anew.
        """
        frame, found = femur.profile.frame, automatic.profile.frame
        names = ("ap", "lateral")
        key = f"{case_id}-{automatic.side.value}-{_name_frame(frame)}"
        with self._lock:
            kept = {name: self._kept.get(f"{key}-{name}") for name in names}
        ready = {name: film for name, film in kept.items() if film is not None}
        if len(ready) == len(names):
            return ready
        pictures = self._read(case_id, automatic.side, found, frame)
        anew = not pictures
        if anew and aligned is not None and len(femur.profile.levels_mm) > 1:
            box = find_box(femur.profile)
            pictures = {
                "ap": project_femur(aligned, box, "ap"),
                "lateral": project_femur(aligned, box, "lateral"),
            }
        films = {
            name: KeptFilm(key=f"{key}-{name}", picture=picture, anew=anew)
            for name, picture in pictures.items()
        }
        with self._lock:
            self._kept.update({film.key: film for film in films.values()})
            while len(self._kept) > N_KEPT:
                self._kept.popitem(last=False)
        return films

    def _read(
        self, case_id: str, side: Side, found: FemurFrame, frame: FemurFrame
    ) -> dict[str, Picture]:
        """Return the films that were taken at measuring, moved along the shaft; or none."""
        apart = frame.lps_to_frame_mm(found.origin_lps_mm)
        turned = max(
            float(np.abs(one - other).max())
            for one, other in (
                (frame.medial, found.medial),
                (frame.posterior, found.posterior),
                (frame.proximal, found.proximal),
            )
        )
        if turned > SAME_DIRECTION or float(np.hypot(apart[0], apart[1])) > SAME_PLACE_MM:
            return {}
        try:
            pictures = read_pictures(self._cases / case_id / PICTURES_NAME)
        except CanalMorphError:
            return {}
        for taken in pictures:
            if taken.side is side:
                up = float(apart[2])
                return {"ap": _lift(taken.ap, up), "lateral": _lift(taken.lateral, up)}
        return {}


def _lift(picture: Picture, up_mm: float) -> Picture:
    low, high = picture.vertical_mm
    return Picture(
        grey=picture.grey, across_mm=picture.across_mm, vertical_mm=(low + up_mm, high + up_mm)
    )


def _name_frame(frame: FemurFrame) -> str:
    numbers = np.concatenate([frame.origin_lps_mm, frame.medial, frame.proximal])
    return f"{abs(hash(np.round(numbers, 4).tobytes())):x}"
