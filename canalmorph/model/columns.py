"""The one registry of columns: it drives tables, codebook and report.

A name and its meaning are a promise; a change of meaning is a new name.
"""

from dataclasses import replace

from canalmorph.model.column import (
    DEVIATION_LEVELS_MM,
    ROD_BOTTOMS_MM,
    Column,
    make_measured,
    make_text,
)
from canalmorph.model.index_columns import INDEX_COLUMNS, PLANE_COLUMNS, WIDTH_COLUMNS


def _rod_columns() -> tuple[Column, ...]:
    columns: list[Column] = []
    for name, bottom in ROD_BOTTOMS_MM.items():
        prefix, rod = f"rod_lt_to_{name}", f"widest straight rod in the canal, LT to LT{bottom:.0f}"
        columns.append(
            make_measured(
                f"{prefix}_mm",
                "mm",
                f"Diameter of the {rod}: the largest cylinder between the planes of both levels "
                "that nowhere cuts the canal's surface. General geometry, no implant's shape.",
            )
        )
        for axis, way in (("ml", "medially"), ("ap", "backwards")):
            columns.append(
                make_measured(
                    f"{prefix}_tilt_{axis}_deg",
                    "deg",
                    f"Tilt of the {rod}, against the proximal shaft axis in the {axis.upper()} "
                    f"plane; positive where its upper end leans {way}. Where several axes hold as "
                    "wide a rod, the middle of them; the uncertainty is their range.",
                )
            )
        for axis, way in (("ml", "medial"), ("ap", "posterior")):
            columns.append(
                make_measured(
                    f"{prefix}_entry_{axis}_mm",
                    "mm",
                    f"Where the axis of the {rod}, meets the plane of the LT: {way} distance from "
                    "the proximal shaft axis.",
                )
            )
        columns.append(
            make_text(f"{prefix}_contacts", f"Sides and levels that hold the {rod}, from the top.")
        )
    return tuple(columns)


def _deviation_columns() -> tuple[Column, ...]:
    columns = []
    for name, level in DEVIATION_LEVELS_MM.items():
        for axis, way in (("ml", "medial"), ("ap", "posterior")):
            columns.append(
                make_measured(
                    f"centre_{axis}_{name}_mm",
                    "mm",
                    f"Middle of the canal at LT{level:.0f}, {way} distance from the proximal shaft "
                    "axis: what a straight stem on that axis misses it by.",
                )
            )
        for axis, way in (("ml", "medially"), ("ap", "backwards")):
            columns.append(
                make_measured(
                    f"axis_tilt_{axis}_{name}_deg",
                    "deg",
                    f"Canal's local axis at LT{level:.0f} (its middles 10 mm above and below) "
                    f"against the proximal shaft axis in the {axis.upper()} plane; positive where "
                    f"it leans {way} upwards.",
                )
            )
    return tuple(columns)


FEMUR_COLUMNS = (
    make_text("case_id", "Keyed hash that names the measured series."),
    make_text("side", "left or right, from patient coordinates."),
    make_text(
        "status",
        "measured, or partial where a measured column is blank that does not need the knee.",
    ),
    make_text("warnings", "Warning codes of the scan and of the femur, joined by semicolons."),
    make_text(
        "plane",
        "What ML and AP mean: neck (shaft axis and neck axis), else condylar (posterior condylar "
        "line), else scanner (coronal); hand where a person set it.",
    ),
    make_text(
        "reviewed_by_hand",
        "What persons did on the review page, joined by semicolons: corrected (numbers follow "
        "their marks), signed, rejected; empty where nobody did.",
    ),
    make_measured("lt_x_mm", "mm", "Lesser trochanter apex, patient x (to the left)."),
    make_measured("lt_y_mm", "mm", "Lesser trochanter apex, patient y (to the back)."),
    make_measured("lt_z_mm", "mm", "Lesser trochanter apex, patient z (to the head)."),
    make_measured(
        "isthmus_level_mm", "mm", "Level below LT-40 at which the canal's ML width is smallest."
    ),
    make_measured("isthmus_canal_ml_mm", "mm", "Canal ML caliper width at the isthmus."),
    make_measured("isthmus_canal_ap_mm", "mm", "Canal AP caliper width at the isthmus."),
    make_measured("isthmus_outer_ml_mm", "mm", "Outer ML caliper width at the isthmus."),
    make_measured("isthmus_outer_ap_mm", "mm", "Outer AP caliper width at the isthmus."),
    make_measured(
        "isthmus_canal_inscribed_mm",
        "mm",
        "Smallest, over the levels below LT-40, diameter of the largest circle in the canal.",
    ),
    make_measured("isthmus_inscribed_level_mm", "mm", "Level of that smallest circle."),
    *WIDTH_COLUMNS,
    *(
        make_measured(
            f"cortex_{wall}_lt_minus100_mm",
            "mm",
            f"Mean cortical thickness of the {wall} quarter at LT-100.",
        )
        for wall in ("anterior", "posterior")
    ),
    *INDEX_COLUMNS,
    *PLANE_COLUMNS,
    make_text("canal_shape", "stovepipe (CFI < 3), normal (3 to 4.7), champagne_flute (> 4.7)."),
    Column(name="p_stovepipe", unit="1", definition="Probability of the shape stovepipe."),
    Column(name="p_normal", unit="1", definition="Probability of the shape normal."),
    Column(name="p_champagne_flute", unit="1", definition="Probability of champagne_flute."),
    make_text(
        "bone_letter",
        "A, B or C, estimated from canal ratio, cortical index ML and AP, and posterior over "
        "anterior wall.",
    ),
    Column(name="p_letter_a", unit="1", definition="Probability of the letter A."),
    Column(name="p_letter_b", unit="1", definition="Probability of the letter B."),
    Column(name="p_letter_c", unit="1", definition="Probability of the letter C."),
    make_text("fixation", "press_fit, cemented, undecided or not_given; for discussion only."),
    make_measured("head_x_mm", "mm", "Head centre, patient x (to the left)."),
    make_measured("head_y_mm", "mm", "Head centre, patient y (to the back)."),
    make_measured("head_z_mm", "mm", "Head centre, patient z (to the head)."),
    make_measured("head_diameter_mm", "mm", "Diameter of the sphere of the femoral head."),
    Column(
        name="head_inlier_share",
        unit="1",
        definition="Share of all directions in which the head's bone edge lies on the sphere.",
    ),
    make_measured(
        "head_level_mm",
        "mm",
        "Height of the head centre over the lesser trochanter's apex, along "
        "the proximal shaft axis.",
    ),
    make_measured("head_to_lt_mm", "mm", "Distance of head centre and lesser trochanter apex."),
    make_measured(
        "neck_shaft_angle_deg",
        "deg",
        "Angle between neck axis and proximal shaft axis in space; the neck axis runs from the "
        "centre of the narrowest section of the neck to the head centre.",
    ),
    make_measured(
        "neck_shaft_angle_sphere_deg",
        "deg",
        "The same with the neck axis by the enlarged sphere: from the centre of the patch in which "
        "the head's sphere, 25 % larger, cuts the neck, to the head centre.",
        "neck_axes_102",
    ),
    make_measured(
        "neck_shaft_angle_ap_deg",
        "deg",
        "Neck-shaft angle as an AP film shows it with the leg as it lay: projected on the plane of "
        "the shaft axis and the scanner's left-right axis.",
    ),
    make_measured(
        "neck_turn_ap_deg",
        "deg",
        "Turn of the neck about the shaft axis out of that plane, head forward positive: "
        "tan(180 - projected) = tan(180 - in space) * cos(turn). Not torsion.",
    ),
    make_measured(
        "femoral_offset_mm", "mm", "Distance of the head centre from the proximal shaft axis."
    ),
    make_measured(
        "femoral_offset_ap_mm",
        "mm",
        "The same as an AP film shows it with the leg as it lay, without magnification.",
    ),
    make_measured(
        "trochanter_tip_x_mm", "mm", "Tip of the greater trochanter, patient x (to the left)."
    ),
    make_measured(
        "trochanter_tip_y_mm", "mm", "Tip of the greater trochanter, patient y (to the back)."
    ),
    make_measured(
        "trochanter_tip_z_mm", "mm", "Tip of the greater trochanter, patient z (to the head)."
    ),
    make_measured(
        "head_above_trochanter_tip_mm",
        "mm",
        "Height of the head centre over the greater trochanter's tip along the shaft axis; below "
        "it is negative.",
        "tip_apas",
    ),
    make_measured(
        "head_to_trochanter_tip_mm",
        "mm",
        "Distance of head centre and tip of the greater trochanter.",
    ),
    make_measured(
        "canal_volume_lt_isthmus_mm3",
        "mm3",
        "Volume of the canal between the lesser trochanter and the isthmus.",
    ),
    make_measured(
        "bow_radius_mm",
        "mm",
        "Radius of the forward bow: of the circle through the canal's centres in the AP plane, "
        "LT-50 down to LT-240, the flare to the knee or the scan's end; needs 100 mm of shaft.",
        "bow_1232",
    ),
    make_measured(
        "bow_direction_deg",
        "deg",
        "Direction in which the same centre line is bowed, seen along the shaft: 0 straight "
        "forwards, positive toward lateral.",
    ),
    *_deviation_columns(),
    *_rod_columns(),
    make_measured(
        "torsion_deg",
        "deg",
        "Turn about the proximal shaft axis from the neck axis to the posterior condylar line; "
        "anteversion is positive on either side, retroversion negative.",
        "torsion_2024",
    ),
    make_text(
        "torsion_method",
        "Between which axes torsion_deg stands; methods differ by up to 11 degrees.",
        "torsion_methods",
    ),
    make_measured(
        "torsion_transepicondylar_deg",
        "deg",
        "As torsion_deg, to the line through both epicondyles instead: the middles of the top 1 mm "
        "of what stands out farthest along the posterior condylar line.",
        "torsion_2024",
    ),
    make_measured(
        "femur_length_mm",
        "mm",
        "From the head's top to the condyles' lowest place, along the proximal shaft axis.",
    ),
    make_measured(
        "mechanical_axis_length_mm",
        "mm",
        "Length of the mechanical axis: from the head's centre to the middle of both epicondyles.",
    ),
    make_measured(
        "mechanical_anatomical_angle_deg",
        "deg",
        "Angle between the mechanical axis and the anatomical one (the proximal shaft axis), seen "
        "in the condylar plane; positive where the head lies medially of the anatomical axis.",
    ),
    make_measured(
        "isthmus_height_share",
        "1",
        "Height of the isthmus over the condyles' lowest place, as a share of the femur's length.",
    ),
    make_measured("cortex_hu", "HU", "Density of thick cortex, blur removed."),
    make_measured(
        "cancellous_neck_hu",
        "HU",
        "Mean of the CT in 10 mm of the neck about its narrowest section, at least 3 mm, and three "
        "widths of the blur, inside its cortex; hangs on the tube voltage, no bone density.",
    ),
    make_measured(
        "cancellous_metaphysis_hu",
        "HU",
        "Mean of the CT in the canal from LT+10 to LT+20, at least 3 mm, and three widths of the "
        "blur, inside the cortex; hangs on the tube voltage, no bone density.",
    ),
    Column(name="slice_spacing_mm", unit="mm", definition="Distance between slices."),
    Column(name="pixel_mm", unit="mm", definition="Larger pixel spacing of the slices."),
    make_text("slice_gaps", "Where slices are missing: width and place; blank where none are."),
    make_text("kernel", "Reconstruction kernel as written in the file."),
    Column(name="kvp", unit="kV", definition="Tube voltage as written in the file."),
    make_text("software_version", "Version of canalmorph."),
    make_text("settings_hash", "Hash of all settings."),
)

_OUTLINE_COLUMNS = tuple(
    make_measured(f"{outline}_{name}", unit, f"{words} outline: {definition}")
    for outline, words in (("outer", "Periosteal"), ("canal", "Endosteal"))
    for name, unit, definition in (
        ("ml_mm", "mm", "medio-lateral caliper width."),
        ("ap_mm", "mm", "antero-posterior caliper width."),
        ("min_mm", "mm", "smallest caliper width."),
        ("max_mm", "mm", "largest caliper width."),
        ("area_mm2", "mm2", "enclosed area."),
        ("equivalent_mm", "mm", "diameter of the circle of the same area."),
    )
)

#: What every section has, perpendicular to the shaft or on the scanner's slices.
SECTION_MEASURES = (
    *_OUTLINE_COLUMNS,
    make_measured("canal_inscribed_mm", "mm", "Diameter of the largest circle in the canal."),
    make_measured(
        "canal_dense_ml_mm",
        "mm",
        "ML width of the canal within dense cortex: where the inner cortex is porous, the edge of "
        "as much dense cortex as would hold the wall's mineral; blank where it is not.",
    ),
    make_measured("canal_dense_ap_mm", "mm", "AP width of the canal within dense cortex."),
    make_measured("cortex_medial_mm", "mm", "Mean cortical thickness, medial quarter."),
    make_measured("cortex_lateral_mm", "mm", "Mean cortical thickness, lateral quarter."),
    make_measured("cortex_anterior_mm", "mm", "Mean cortical thickness, anterior quarter."),
    make_measured("cortex_posterior_mm", "mm", "Mean cortical thickness, posterior quarter."),
    make_measured("cortex_min_mm", "mm", "Smallest cortical thickness of the section."),
    make_measured("cortex_mean_mm", "mm", "Mean cortical thickness of the section."),
)

SECTION_COLUMNS = (
    make_text("case_id", "Keyed hash that names the measured series."),
    make_text("side", "left or right, from patient coordinates."),
    Column(
        name="level_mm",
        unit="mm",
        definition="Height over the lesser trochanter along the shaft axis.",
    ),
    *SECTION_MEASURES,
    make_measured(
        "axis_tilt_deg", "deg", "Angle between the canal's local axis and the proximal shaft axis."
    ),
    make_text("quality", "Quality flags, joined by semicolons."),
)

AXIAL_COLUMNS = (
    make_text("case_id", "Keyed hash that names the measured series."),
    make_text("side", "left or right, from patient coordinates."),
    Column(
        name="slice_z_mm",
        unit="mm",
        definition="Patient z (to the head) at which the slice meets the proximal shaft axis.",
    ),
    Column(
        name="level_mm",
        unit="mm",
        definition="Height of the middle of the canal's section over the lesser trochanter, along "
        "the proximal shaft axis.",
    ),
    *(
        replace(
            column,
            definition=f"{column.definition.removesuffix('.')}; on the scanner's slice, ML along "
            "its row from right to left, AP along its column.",
        )
        for column in SECTION_MEASURES
    ),
    make_measured(
        "tilt_deg",
        "deg",
        "Angle between the slice's normal and the proximal shaft axis, one a femur; widths along "
        "the tilt are longer on the slice by about 1 / cos of it.",
    ),
    make_measured(
        "local_tilt_deg",
        "deg",
        "Angle between the slice's normal and the canal's local axis, through the middles of its "
        "sections 10 mm above and below; near the lesser trochanter it follows the canal's turn "
        "into the neck.",
    ),
    make_text("quality", "Quality flags, joined by semicolons."),
)

REFUSAL_COLUMNS = (
    make_text("case_id", "Keyed hash of the series, or of its place where it could not be read."),
    make_text("file", "File or series, relative to the input."),
    make_text("side", "The femur, where only one was refused."),
    make_text("stage", "Stage that refused."),
    make_text("reason_code", "Reason."),
    make_text("tag", "DICOM tag or header field at fault."),
    make_text("message", "What is wrong and what to do."),
    make_text("warnings", "Codes of what was odd in the files, joined by semicolons."),
)

SIDE_COLUMNS = (
    make_text("case_id", "Keyed hash that names the measured series."),
    make_text("column", "The column of femurs.csv that is compared."),
    make_text("unit", "Its unit; 1 for a ratio."),
    make_measured("right", "row", "The right femur's number."),
    make_measured("left", "row", "The left femur's number."),
    make_measured(
        "difference",
        "row",
        "Left less right. In its uncertainty, what both sides share (density, blur and kernel of "
        "the scan) is left out, since it cancels.",
    ),
    Column(name="difference_over_u", unit="1", definition="The difference over its uncertainty."),
    make_text("beyond_3u", "yes where the difference is above 3 of its uncertainties, else no."),
)

BLANK_COLUMNS = (
    make_text("case_id", "Keyed hash that names the measured series."),
    make_text("side", "left or right, from patient coordinates."),
    make_text("column", "The measured column of femurs.csv that is blank."),
    make_text("reason", "Why it could not be measured."),
)

CORRECTION_COLUMNS = (
    make_text("case_id", "Keyed hash that names the measured series."),
    make_text("side", "left or right, from patient coordinates."),
    make_text("column", "The column of femurs.csv that a person's marks changed."),
    make_text("unit", "Its unit; 1 for a ratio."),
    make_measured("automatic", "row", "The number as it was measured; blank where it was not."),
    make_measured("corrected", "row", "The number with the marks; blank where they leave none."),
    Column(
        name="difference", unit="row", definition="Corrected less automatic, where both are known."
    ),
    make_text("marks", "What was set by hand on this femur, joined by semicolons."),
    make_text(
        "reader",
        "Keyed hash of the name that the last of these marks was set under; blank where the key "
        "of the results is kept elsewhere.",
    ),
)
