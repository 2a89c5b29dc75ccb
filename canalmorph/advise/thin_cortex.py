"""Cortex that is thin for its level, by the few levels of which a band is in print.

A fact about the number, no diagnosis. At other levels no band was found in print, and nothing is
said there.
"""

from dataclasses import dataclass

from canalmorph.advise.wording import format_chance, format_ratio
from canalmorph.model.certainty import SURE_FROM, get_chance_below
from canalmorph.model.results import CanalIndices, Measurement
from canalmorph.published import (
    ANTERIOR_WALL_RANGE_MM,
    AREA_FRACTION_OLD_WOMEN,
    CTI_ML_ARTHRITIC_HIPS,
    CTI_ML_THIN_BELOW,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """The lower end of what is usual for a number.

    Attributes
    ----------
    column, words : str
        Which number, and its name.
    bound : float
        Below it the cortex is thin for its level.
    unit : str
        As it stands behind a number.
    source : str
        What the bound is.
    """

    column: str
    words: str
    bound: float
    source: str
    unit: str = ""


_MEAN, _SPREAD = CTI_ML_ARTHRITIC_HIPS
BANDS = (
    Band(
        column="cti_ml_lt_minus100",
        words="cortical thickness index ML at LT−100",
        bound=CTI_ML_THIN_BELOW,
        source="two SD below the mean of 50 hips with osteoarthritis "
        f"({_MEAN:g} ± {_SPREAD:g} on films; Arch Bone Jt Surg 2020;8:675)",
    ),
    Band(
        column="cortex_anterior_lt_minus100_mm",
        words="anterior wall at LT−100",
        bound=ANTERIOR_WALL_RANGE_MM[0],
        unit=" mm",
        source="the thinnest anterior wall of the shaft in a CT study of cadavers",
    ),
    Band(
        column="cortical_area_fraction_isthmus",
        words="cortex over total area at the isthmus",
        bound=AREA_FRACTION_OLD_WOMEN,
        source="the mean of women in their eighties at mid-shaft (180 people, "
        "doi:10.1046/j.1469-7580.1997.19130407.x)",
    ),
)


def list_thin_cortex(indices: CanalIndices) -> tuple[str, ...]:
    """Return a caution for each number that lies, or may well lie, below its published band.

    Parameters
    ----------
    indices : CanalIndices
        Of one femur; uses the columns of `BANDS`.

    Returns
    -------
    tuple of str
        Empty where every number that is known lies above its bound with at least 80 %.
    """
    cautions = []
    for band in BANDS:
        number = indices.values.get(band.column, Measurement())
        if not number.known:
            continue
        chance = get_chance_below(number, band.bound)
        if chance >= 1 - SURE_FROM:
            cautions.append(
                f"Thin cortex for its level: {band.words} {format_ratio(number)}{band.unit}, below "
                f"{band.bound:g}{band.unit} with a probability of {format_chance(chance)}. That is "
                f"{band.source}. No diagnosis: published bounds disagree, and a measured bone "
                "density would tell."
            )
    return tuple(cautions)
