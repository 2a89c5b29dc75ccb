"""The caution where left and right differ by more than their uncertainty explains."""

from collections.abc import Sequence

from canalmorph.model.results import NOTABLE_DEVIATIONS, SideDifference


def caution_about_sides(differences: Sequence[SideDifference]) -> tuple[str, ...]:
    """Return one caution, or none where no number differs by more than three uncertainties.

    Parameters
    ----------
    differences : sequence of SideDifference
        Of one scan.
    """
    notable = sum(difference.is_notable for difference in differences)
    if not notable:
        return ()
    sentence = (
        f"Left and right differ by more than {NOTABLE_DEVIATIONS:.0f} standard uncertainties of "
        f"the difference in {notable} of {len(differences)} numbers; the table of both sides marks "
        "them. A person's two femora do differ; a trochanter marked at another height, arthritis, "
        "a fracture or an operation shows in the same way. Look at both pictures."
    )
    return (sentence,)
