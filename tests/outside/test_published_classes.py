"""Classes and letters against what is printed, each with its source."""

import pytest

from canalmorph.classify.letter import LETTER_INPUTS
from canalmorph.classify.shape import classify_canal
from canalmorph.model.results import CanalIndices, CanalShape, Measurement

#: Bounds of the canal flare index, below 3 / 3 to 4.7 / 4.7 to 6.5: Noble 1988, Clin Orthop Relat
#: Res 235:148-165, as quoted in PMC7371079. Print leaves open who owns 3.0 and 4.7: normal does.
PUBLISHED_SHAPES = [
    (2.999, CanalShape.STOVEPIPE),
    (3.0, CanalShape.NORMAL),
    (4.7, CanalShape.NORMAL),
    (4.701, CanalShape.CHAMPAGNE_FLUTE),
    (6.5, CanalShape.CHAMPAGNE_FLUTE),
    (6.6, CanalShape.CHAMPAGNE_FLUTE),
]

#: Canal-to-calcar isthmus ratio by letter, mean of 35, 96 and 17 hips on AP films: PMC11248435;
#: beside it the mean AP cortical thickness index by letter, Dorr 1993, Bone 14:231-242, as quoted
#: on a secondary page.
PUBLISHED_LETTERS = [("A", 0.47, 0.58), ("B", 0.62, 0.50), ("C", 0.78, 0.42)]


@pytest.mark.parametrize("u", [0.0, 0.15])
@pytest.mark.parametrize(("index", "shape"), PUBLISHED_SHAPES)
def test_flare_index_falls_into_the_printed_class(
    index: float, shape: CanalShape, u: float
) -> None:
    canal_type = classify_canal(CanalIndices(values={"cfi_ml": Measurement(value=index, u=u)}))
    assert canal_type.shape is shape
    # Print ends at 6.5; the largest index seen on CT is 6.6 (Bone Joint J 93-B Supp IV:475).
    assert canal_type.outside_published_range is (index > 6.5)


@pytest.mark.parametrize(("letter", "ratio", "cti"), PUBLISHED_LETTERS)
def test_printed_means_get_their_own_letter(letter: str, ratio: float, cti: float) -> None:
    # The walls of a usual femur: posterior the thicker (doi:10.1243/0954411991534889).
    values = dict(zip(LETTER_INPUTS, (ratio, cti, cti, 1.3), strict=True))
    canal_type = classify_canal(
        CanalIndices(
            values={name: Measurement(value=value, u=0.01) for name, value in values.items()}
        )
    )
    assert canal_type.letter == letter
    assert dict(canal_type.letter_inputs).keys() == values.keys()


def test_a_cortical_index_above_one_is_refused() -> None:
    # orthobullets.com/evidence/24781623 prints 1.10 for letter A; it fits (outer - inner) / inner,
    # which as (outer - inner) / outer is 1.10 / 2.10 = 0.524.
    values = dict(zip(LETTER_INPUTS, (0.47, 1.10, 0.58, 1.3), strict=True))
    with pytest.raises(ValueError, match="cti_ml_lt_minus100"):
        classify_canal(
            CanalIndices(
                values={name: Measurement(value=value, u=0.01) for name, value in values.items()}
            )
        )
