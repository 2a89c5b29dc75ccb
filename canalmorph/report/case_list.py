"""``cohort.html``: all cases of a results folder in one list to sort and filter.

One self-contained page that works from a disk. It carries no patient's name: cases go by their
keyed names, and what was not measured by its file, as in ``refusals.csv``.
"""

import io
import json
from base64 import b64encode
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from importlib.resources import files

import numpy as np
from markupsafe import Markup
from PIL import Image

from canalmorph.model.codes import describe_warning, is_left_out
from canalmorph.model.femur import Side
from canalmorph.model.results import CanalShape, Fixation, Refusal
from canalmorph.model.standing import STANDING
from canalmorph.report.brief import name_refusal, summarise_letter, summarise_shape
from canalmorph.report.pictures import FemurPictures
from canalmorph.report.templating import load_template
from canalmorph.report.wording import FIXATION_WORDS, SHAPE_WORDS

LIST_NAME = "cohort.html"
#: Height of a thumbnail: enough to see a wrong side, a cut shaft or metal. [pixels]
THUMBNAIL_PIXELS = 120
#: JPEG quality of a thumbnail: one or two kilobytes each.
THUMBNAIL_QUALITY = 60
#: Numbers that have a column: cell, heading, digits.
NUMBERS = (
    ("cfi_ml", "CFI", 2),
    ("cti_ml_lt_minus100", "CTI at LT−100", 3),
    ("isthmus_canal_ml_mm", "Isthmus [mm]", 2),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedCase:
    """What the list shows of one case.

    Attributes
    ----------
    case_id : str
        Its keyed name.
    femora : sequence of mapping
        Cells of ``femurs.csv`` of each femur, the shown ones at least.
    refusals : sequence of Refusal
        What of it was not measured.
    thumbnails : mapping of str to str
        By side, as a JPEG in base 64.
    pages : sequence of str
        Files in the case's folder that a reader may open.
    """

    case_id: str
    femora: Sequence[Mapping[str, object]] = ()
    refusals: Sequence[Refusal] = ()
    thumbnails: Mapping[str, str] = field(default_factory=dict)
    pages: Sequence[str] = ()


def make_thumbnails(pictures: Iterable[FemurPictures]) -> dict[str, str]:
    """Return a small AP projection of each femur as a film shows it, by side."""
    thumbnails = {}
    for femur in pictures:
        # The picture's rows run upwards and its columns medially; a film shows the patient's
        # right on the left, so that the medial side of a left femur is on the left.
        grey = femur.ap.grey[::-1]
        grey = grey[:, ::-1] if femur.side is Side.LEFT else grey
        image = Image.fromarray(np.ascontiguousarray(grey))
        image.thumbnail((THUMBNAIL_PIXELS, THUMBNAIL_PIXELS))
        stream = io.BytesIO()
        image.save(stream, "JPEG", quality=THUMBNAIL_QUALITY, optimize=True)
        thumbnails[femur.side.value] = b64encode(stream.getvalue()).decode("ascii")
    return thumbnails


def make_case_list(cases: Iterable[ListedCase]) -> str:
    """Return the page of these cases, in order; its links are relative to the results folder."""
    rows = [row for case in cases for row in _list_rows(case)]
    codes = sorted({code for row in rows for code in _read_codes(row)})
    data = {
        "rows": rows,
        "shapes": {shape.value: SHAPE_WORDS[shape] for shape in CanalShape},
        "fixations": {each.value: FIXATION_WORDS[each] for each in Fixation},
        "warnings": {code: describe_warning(code) for code in codes},
        "numbers": [name for name, _, _ in NUMBERS],
    }
    script = (files("canalmorph.report") / "templates" / "cohort.js").read_text(encoding="utf-8")
    # Inside a script element nothing is escaped: no text may close it.
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")
    digest = b64encode(sha256(script.encode()).digest()).decode("ascii")
    return load_template("cohort.html").render(
        headings=[heading for _, heading, _ in NUMBERS],
        standing=STANDING,
        data=Markup(text),
        script=Markup(script),
        script_hash=f"sha256-{digest}",
    )


def _read_codes(row: Mapping[str, object]) -> list[str]:
    codes = row["warnings"]
    assert isinstance(codes, list)
    return codes


def _list_rows(case: ListedCase) -> list[dict[str, object]]:
    """Return a row a femur, and one for each scan or side that was not measured."""
    rows = [_describe_femur(case, femur) for femur in case.femora]
    rows += [
        {
            "case": case.case_id,
            "side": "" if refusal.side is None else refusal.side.value,
            "state": "left out" if is_left_out(refusal.code) else "not measured",
            "text": name_refusal(refusal),
            "reason": refusal.code,
            "warnings": list(refusal.warnings),
            "pages": [] if refusal.side is None else list(case.pages),
        }
        for refusal in case.refusals
    ]
    return rows


def _describe_femur(case: ListedCase, femur: Mapping[str, object]) -> dict[str, object]:
    return {
        "case": case.case_id,
        "side": femur["side"],
        "state": femur["status"],
        "shape": femur["canal_shape"],
        "type": summarise_shape(femur),
        "letter": summarise_letter(femur),
        "review": str(femur["reviewed_by_hand"]).replace(";", ", "),
        "fixation": femur["fixation"],
        "values": [_round(femur[name], digits) for name, _, digits in NUMBERS],
        "doubts": [_round(femur[f"{name}_u"], digits) for name, _, digits in NUMBERS],
        "bounds": [_round(femur.get(f"{name}_lower_bound"), digits) for name, _, digits in NUMBERS],
        "warnings": [code for code in str(femur["warnings"]).split(";") if code],
        "picture": case.thumbnails.get(str(femur["side"]), ""),
        "pages": list(case.pages),
    }


def _round(value: object, digits: int) -> str:
    return f"{value:.{digits}f}" if isinstance(value, float) else ""
