"""What is promised of the numbers, one entry a promise.

The promises hold for slices up to 1 mm, noise up to 30 HU and a kernel without edge enhancement.
Beyond that the spread may be twice as large, and the stated uncertainty must say so.
"""

from math import inf

from canalmorph.model.column import NAMED_LEVELS_MM
from canalmorph_cli.acceptance.promise import Promise
from canalmorph_cli.acceptance.records import (
    BOW_SHARE,
    CFI_OUT_OF_VIEW,
    FEMUR_MEASURED,
    HEAD_CENTRE,
    LT_LEVEL,
    NARROWEST_JOINT_MM,
)
from canalmorph_phantoms.truth import ROD_BOTTOMS_MM

#: The scans for which the promises are made. [mm, HU]
SLICE_UP_TO_MM, NOISE_UP_TO_HU = 1.0, 30.0
#: Levels at and below this are on the shaft: the canal's width changes by less than 0.1 mm per
#: millimetre there, so that the level hardly enters. [mm above the lesser trochanter]
SHAFT_BELOW_MM = -60.0

LT_FLAGS = frozenset({"lt_uncertain"})
CFI_FLAGS = LT_FLAGS | {"isthmus_ambiguous"}
HEAD_FLAGS = frozenset({"head_not_separated", "head_not_round"})
#: Joints whose head is apart from the socket. [mm]
OPEN_JOINT_MM = (NARROWEST_JOINT_MM, inf)


def _shaft_widths() -> frozenset[str]:
    levels = [name for name, level in NAMED_LEVELS_MM.items() if level <= SHAFT_BELOW_MM]
    named = {
        f"{outline}_{axis}_{level}_mm"
        for outline in ("outer", "canal")
        for axis in ("ml", "ap")
        for level in levels
    }
    isthmus = {
        f"isthmus_{outline}_{axis}_mm" for outline in ("outer", "canal") for axis in ("ml", "ap")
    }
    return frozenset(named | isthmus | {"isthmus_canal_inscribed_mm"})


_SECTION_WIDTHS = frozenset(
    {
        f"{outline}_{name}_mm"
        for outline in ("outer", "canal")
        for name in ("ml", "ap", "min", "max", "equivalent")
    }
    | {"canal_inscribed_mm"}
)
_QUARTERS = frozenset(
    f"cortex_{name}_mm" for name in ("medial", "lateral", "anterior", "posterior")
)
THICKNESS_INDICES = frozenset({"cti_ml_lt_minus100", "cti_ap_lt_minus100", "cti_ml_isthmus"})

#: What is promised, in the order of the page.
PROMISES: tuple[Promise, ...] = (
    Promise(
        key="femora",
        words="Every femur in view measured, none made up; a bound where the isthmus is not seen",
        unit="1",
        columns=frozenset({FEMUR_MEASURED, CFI_OUT_OF_VIEW}),
        worst=0.0,
    ),
    Promise(
        key="shaft_widths",
        words="Outer and canal widths and diameters, LT-60 and below, cortex of 2 mm and more",
        unit="mm",
        columns=_shaft_widths(),
        section_columns=_SECTION_WIDTHS,
        below_mm=SHAFT_BELOW_MM,
        wall_mm=(2.0, inf),
        bias=0.03,
        sd=0.04,
        worst=0.12,
    ),
    Promise(
        key="cortex_thick",
        # A thicker wall is no harder: bias and SD of 1 to 2 mm hold for it. The worst are oblique
        # walls beside the trochanters.
        words="Cortical thickness, means of quarters, 2 mm and more",
        unit="mm",
        section_columns=_QUARTERS,
        wall_mm=(2.0, inf),
        bias=0.05,
        sd=0.10,
        worst=0.5,
    ),
    Promise(
        key="cortex_1_to_2_mm",
        words="Cortical thickness, means of quarters, 1 to 2 mm",
        unit="mm",
        section_columns=_QUARTERS,
        wall_mm=(1.0, 2.0),
        bias=0.05,
        sd=0.10,
        worst=0.3,
    ),
    Promise(
        key="cortex_below_1_mm",
        words="Cortical thickness, means of quarters, 0.5 to 1 mm",
        unit="mm",
        section_columns=_QUARTERS,
        wall_mm=(0.5, 1.0),
        bias=0.10,
        sd=0.15,
        worst=0.4,
    ),
    Promise(
        key="cti",
        words="Cortical thickness index at LT-100 and at the isthmus, cortex of 2 mm and more",
        unit="1",
        columns=THICKNESS_INDICES,
        wall_mm=(2.0, inf),
        bias=0.001,
        sd=0.002,
        worst=0.006,
    ),
    Promise(
        key="cti_thin",
        # What is promised of walls of 0.5 to 1 mm, for two of them on a bone of 25 mm.
        words="The same, cortex below 2 mm",
        unit="1",
        columns=THICKNESS_INDICES,
        wall_mm=(0.5, 2.0),
        bias=0.008,
        sd=0.012,
        worst=0.032,
    ),
    Promise(
        key="lt_level",
        words="Level of the lesser trochanter; worst of those not flagged",
        unit="mm",
        columns=frozenset({LT_LEVEL}),
        bias=0.15,
        sd=0.3,
        worst=0.8,
        flags=LT_FLAGS,
    ),
    Promise(
        key="canal_lt_plus20",
        words="Canal ML width at LT+20",
        unit="mm",
        columns=frozenset({"canal_ml_lt_plus20_mm"}),
        bias=0.15,
        sd=0.35,
        worst=1.0,
    ),
    Promise(
        key="cfi",
        words="Canal flare index, ML; worst of those not flagged, at most 2 % flagged or blank",
        unit="1",
        columns=frozenset({"cfi_ml"}),
        bias=0.02,
        sd=0.045,
        worst=0.12,
        flags=CFI_FLAGS,
        most_flagged=0.02,
    ),
    Promise(
        key="isthmus_level",
        words="Level of the isthmus",
        unit="mm",
        columns=frozenset({"isthmus_level_mm"}),
        bias=1.0,
        sd=2.0,
        worst=4.0,
    ),
    Promise(
        key="head_centre",
        words="Distance of the head's centre from the true one, joint space of 1 mm and more; "
        "at most 2 % flagged or blank",
        unit="mm",
        columns=frozenset({HEAD_CENTRE}),
        joint_mm=OPEN_JOINT_MM,
        worst=0.4,
        flags=HEAD_FLAGS,
        most_flagged=0.02,
    ),
    Promise(
        key="head_diameter",
        words="Diameter of the head, joint space of 1 mm and more",
        unit="mm",
        columns=frozenset({"head_diameter_mm"}),
        joint_mm=OPEN_JOINT_MM,
        worst=0.5,
    ),
    Promise(
        key="head_fused",
        words="Centre and diameter of the head in fused joints; worst of those not blank with a "
        "flag",
        unit="mm",
        columns=frozenset({HEAD_CENTRE, "head_diameter_mm"}),
        joint_mm=(0.0, 0.0),
        worst=1.5,
        flags=HEAD_FLAGS,
    ),
    Promise(
        key="neck_shaft_angle",
        words="Neck-shaft angle, in space",
        unit="deg",
        columns=frozenset({"neck_shaft_angle_deg"}),
        joint_mm=OPEN_JOINT_MM,
        bias=0.5,
        worst=2.0,
    ),
    Promise(
        key="offset",
        words="Offset of the head, in space",
        unit="mm",
        columns=frozenset({"femoral_offset_mm"}),
        joint_mm=OPEN_JOINT_MM,
        worst=0.8,
    ),
    Promise(
        key="torsion",
        words="Torsion, neck against the condyles' line from behind",
        unit="deg",
        columns=frozenset({"torsion_deg"}),
        worst=1.5,
    ),
    Promise(
        key="bow",
        words="Radius of the forward bow over the true one",
        unit="1",
        columns=frozenset({BOW_SHARE}),
        worst=0.1,
    ),
    Promise(
        key="rods",
        words="Diameter of the widest straight rod, from the LT to LT-60, LT-100 and LT-150",
        unit="mm",
        columns=frozenset(ROD_BOTTOMS_MM),
        worst=0.3,
    ),
)

#: What is promised on virtual scans made from real surfaces, beside the widths at LT-100.
VIRTUAL_PROMISES: tuple[Promise, ...] = (
    Promise(
        key="lt_level_virtual",
        words="Level of the lesser trochanter, virtual scans of real surfaces",
        unit="mm",
        columns=frozenset({LT_LEVEL}),
        bias=0.5,
        sd=0.8,
        worst=1.5,
        flags=LT_FLAGS,
    ),
)
