"""Why a column of head, neck or greater trochanter is blank, in a plain sentence."""

from canalmorph.model.index_columns import NECK_BROKEN
from canalmorph.model.results import CanalProfile

#: Columns that need the head, and those that need the neck or the greater trochanter besides.
_OF_HEAD = ("head_", "femoral_offset_")
_OF_NECK = ("neck_",)
#: Where nothing can be measured against the shaft.
NO_SHAFT = "The scan ends under the hip: it shows too little of the shaft for its axis."


def explain_proximal(profile: CanalProfile, column: str) -> str | None:
    """Return the reason, or None where the column is of another kind.

    Parameters
    ----------
    profile : CanalProfile
        Its head and warnings tell why.
    column : str
        A blank column's name.
    """
    of_tip = "trochanter_tip" in column
    if not (column.startswith(_OF_HEAD + _OF_NECK) or of_tip):
        return None
    if profile.head is None:
        return "The head of the femur is not in view or was not found."
    if profile.head.broken and not column.startswith("trochanter_tip"):
        return NECK_BROKEN
    if profile.head.slices_missing:
        return "Slices are missing through the head or the neck."
    if not profile.head.separated and not column.startswith("trochanter_tip"):
        return (
            "Head and socket could not be told apart, as in a fused or bone-on-bone joint, so that "
            "the head's centre is not known well enough."
        )
    if "shaft_not_in_view" in profile.warnings:
        return NO_SHAFT
    if of_tip:
        return "The tip of the greater trochanter is not whole in view or not clear."
    if column == "neck_shaft_angle_sphere_deg":
        return "The enlarged sphere of the head cuts no patch out of the neck alone."
    return "No closed section of the neck was found, so that its axis is unknown."
