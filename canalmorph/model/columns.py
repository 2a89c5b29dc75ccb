"""The one registry of columns: it drives tables, codebook and report.

A name and its meaning are a promise; a change of meaning is a new name.
"""

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    name, unit, definition : str
        Unit is empty for text and ``1`` for a ratio.
    source : str
        Key of `canalmorph.published.BIBLIOGRAPHY`, or empty where the definition is our own.
    measured : bool
        Whether the column is a measurement, so that its ``_u`` column follows it.
    """

    name: str
    unit: str
    definition: str
    source: str = ""
    measured: bool = False


def _measured(name: str, unit: str, definition: str, source: str = "") -> Column:
    return Column(name=name, unit=unit, definition=definition, source=source, measured=True)


def _text(name: str, definition: str) -> Column:
    return Column(name=name, unit="", definition=definition)


#: Levels whose widths are columns, by the name that stands in the column. [mm]
NAMED_LEVELS_MM: dict[str, float] = {
    "lt_plus20": 20.0,
    "lt": 0.0,
    "lt_minus20": -20.0,
    "lt_minus30": -30.0,
    "lt_minus70": -70.0,
    "lt_minus100": -100.0,
}


def _width_columns() -> tuple[Column, ...]:
    columns = []
    for outline, words in (("canal", "Endosteal (canal)"), ("outer", "Periosteal (outer)")):
        for axis, axis_words in (("ml", "medio-lateral"), ("ap", "antero-posterior")):
            for level, height in NAMED_LEVELS_MM.items():
                columns.append(
                    _measured(
                        f"{outline}_{axis}_{level}_mm",
                        "mm",
                        f"{words} {axis_words} caliper width {height:+.0f} mm from the lesser "
                        "trochanter, perpendicular to the proximal shaft axis."
                        if height
                        else f"{words} {axis_words} caliper width at the lesser trochanter, "
                        "perpendicular to the proximal shaft axis.",
                    )
                )
    return tuple(columns)


INDEX_COLUMNS = (
    _measured(
        "cfi_ml",
        "1",
        "Canal flare index: canal ML width at LT+20 over that at the isthmus.",
        "noble_1988",
    ),
    _measured(
        "cfi_ml_lower_bound",
        "1",
        "Where the isthmus lies below the scan: canal ML width at LT+20 over the narrowest in "
        "view; the index is at least this.",
    ),
    _measured("cfi_ap", "1", "Canal AP width at LT+20 over that at the isthmus.", "laine_2000"),
    _measured(
        "mcfi_ml",
        "1",
        "Metaphyseal flare index: canal ML width at LT+20 over LT-20.",
        "laine_2000",
    ),
    _measured(
        "dcfi_ml",
        "1",
        "Distal flare index: canal ML width at LT-20 over the isthmus.",
        "dysplasia_2020",
    ),
    _measured(
        "cti_ml_lt_minus100",
        "1",
        "Cortical thickness index, ML, at LT-100: (outer - canal) over outer.",
        "cos_2018",
    ),
    _measured(
        "cti_ap_lt_minus100",
        "1",
        "Cortical thickness index, AP, at LT-100: (outer - canal) over outer.",
        "sah_2007",
    ),
    _measured("cti_ml_isthmus", "1", "Cortical thickness index, ML, at the isthmus."),
    _measured(
        "cbr_ml_lt_minus100",
        "1",
        "Canal bone ratio, ML, at LT-100: canal over outer, 1 - CTI.",
        "yeung_2006",
    ),
    _measured(
        "canal_ratio_isthmus_over_lt_ml",
        "1",
        "Canal ML width at the isthmus over that at the lesser trochanter.",
        "cc_ratio_2024",
    ),
    _measured(
        "canal_ratio_lt_minus100_over_lt_minus30_ml",
        "1",
        "Canal ML width at LT-100 over that at LT-30.",
        "dorr_1993",
    ),
    _measured(
        "wall_ratio_posterior_over_anterior_lt_minus100",
        "1",
        "Mean thickness of the posterior quarter of the cortex over that of the anterior quarter, "
        "at LT-100: the two walls of a lateral view.",
        "wall_order",
    ),
    _measured(
        "mci_ml",
        "1",
        "Morphological cortical index: outer ML width at the lesser trochanter over canal "
        "ML width at LT-70.",
        "spotorno",
    ),
    _measured(
        "cortical_area_fraction_isthmus",
        "1",
        "Cortex area over total area of the section at the isthmus.",
    ),
)

#: What the condyles give, by column name.
KNEE_FACTS = (
    "torsion_deg",
    "torsion_transepicondylar_deg",
    "femur_length_mm",
    "mechanical_axis_length_mm",
    "mechanical_anatomical_angle_deg",
)
#: Columns that are given in further planes too, by name, ML and AP meaning that plane.
PLANE_STEMS = (
    "canal_ml_lt_plus20_mm",
    "isthmus_level_mm",
    "isthmus_canal_ml_mm",
    "cfi_ml",
    "cfi_ap",
    "mcfi_ml",
    "dcfi_ml",
    "cti_ml_lt_minus100",
    "cti_ap_lt_minus100",
    "cti_ml_isthmus",
    "cbr_ml_lt_minus100",
    "canal_ratio_isthmus_over_lt_ml",
    "canal_ratio_lt_minus100_over_lt_minus30_ml",
    "mci_ml",
)
#: Further planes, and what ML means in them.
PLANE_MEANINGS = {
    "condylar": "ML along the posterior condylar line",
    "scanner": "ML along the scanner's left-right axis",
}


def name_in_plane(stem: str, plane: str) -> str:
    """Return the name of a column in a further plane; its unit stays last.

    Examples
    --------
    >>> name_in_plane("cfi_ml", "condylar"), name_in_plane("isthmus_level_mm", "scanner")
    ('cfi_ml_condylar', 'isthmus_level_scanner_mm')
    """
    if stem.endswith("_mm"):
        return f"{stem.removesuffix('_mm')}_{plane}_mm"
    return f"{stem}_{plane}"


def _plane_columns() -> tuple[Column, ...]:
    known = {column.name: column for column in (*INDEX_COLUMNS, *_width_columns())}
    known["isthmus_level_mm"] = _measured(
        "", "mm", "Level below LT-40 at which the canal's ML width is smallest."
    )
    known["isthmus_canal_ml_mm"] = _measured("", "mm", "Canal ML caliper width at the isthmus.")
    return tuple(
        _measured(
            name_in_plane(stem, plane),
            known[stem].unit,
            f"{known[stem].definition.removesuffix('.')}; {meaning}, the isthmus by the same rule "
            "in that plane.",
        )
        for plane, meaning in PLANE_MEANINGS.items()
        for stem in PLANE_STEMS
    )


#: Indices in the condylar and the scanner's plane, and what rotation does to the flare index.
PLANE_COLUMNS = (
    *_plane_columns(),
    _measured(
        "cfi_ml_rotation_10_deg_change",
        "1",
        "Largest change of cfi_ml, up or down, when its plane is turned about the shaft axis by 10 "
        "degrees to either side.",
        "murakami_2015",
    ),
)
#: What needs the condyles: blank in a scan of the hip, which is whole without it.
KNEE_NAMES = (
    *KNEE_FACTS,
    "isthmus_height_share",
    *(name_in_plane(stem, "condylar") for stem in PLANE_STEMS),
)

FEMUR_COLUMNS = (
    _text("case_id", "Keyed hash that names the measured series."),
    _text("side", "left or right, from patient coordinates."),
    _text(
        "status",
        "measured, or partial where a measured column is blank that does not need the knee.",
    ),
    _text("warnings", "Warning codes, joined by semicolons."),
    _text(
        "plane",
        "What ML and AP mean: neck (shaft axis and neck axis), else condylar (posterior condylar "
        "line), else scanner (coronal).",
    ),
    _measured("lt_x_mm", "mm", "Lesser trochanter apex, patient x (to the left)."),
    _measured("lt_y_mm", "mm", "Lesser trochanter apex, patient y (to the back)."),
    _measured("lt_z_mm", "mm", "Lesser trochanter apex, patient z (to the head)."),
    _measured(
        "isthmus_level_mm", "mm", "Level below LT-40 at which the canal's ML width is smallest."
    ),
    _measured("isthmus_canal_ml_mm", "mm", "Canal ML caliper width at the isthmus."),
    _measured("isthmus_canal_ap_mm", "mm", "Canal AP caliper width at the isthmus."),
    _measured("isthmus_outer_ml_mm", "mm", "Outer ML caliper width at the isthmus."),
    _measured("isthmus_outer_ap_mm", "mm", "Outer AP caliper width at the isthmus."),
    _measured(
        "isthmus_canal_inscribed_mm",
        "mm",
        "Smallest, over the levels below LT-40, diameter of the largest circle in the canal.",
    ),
    _measured("isthmus_inscribed_level_mm", "mm", "Level of that smallest circle."),
    *_width_columns(),
    *(
        _measured(
            f"cortex_{wall}_lt_minus100_mm",
            "mm",
            f"Mean cortical thickness of the {wall} quarter at LT-100.",
        )
        for wall in ("anterior", "posterior")
    ),
    *INDEX_COLUMNS,
    *PLANE_COLUMNS,
    _text("canal_shape", "stovepipe (CFI < 3), normal (3 to 4.7), champagne_flute (> 4.7)."),
    Column(name="p_stovepipe", unit="1", definition="Probability of the shape stovepipe."),
    Column(name="p_normal", unit="1", definition="Probability of the shape normal."),
    Column(name="p_champagne_flute", unit="1", definition="Probability of champagne_flute."),
    _text(
        "bone_letter",
        "A, B or C, estimated from canal ratio, cortical index ML and AP, and posterior over "
        "anterior wall.",
    ),
    Column(name="p_letter_a", unit="1", definition="Probability of the letter A."),
    Column(name="p_letter_b", unit="1", definition="Probability of the letter B."),
    Column(name="p_letter_c", unit="1", definition="Probability of the letter C."),
    _text("fixation", "press_fit, cemented, undecided or not_given; for discussion only."),
    _measured("head_x_mm", "mm", "Head centre, patient x (to the left)."),
    _measured("head_y_mm", "mm", "Head centre, patient y (to the back)."),
    _measured("head_z_mm", "mm", "Head centre, patient z (to the head)."),
    _measured("head_diameter_mm", "mm", "Diameter of the sphere of the femoral head."),
    Column(
        name="head_inlier_share",
        unit="1",
        definition="Share of all directions in which the head's bone edge lies on the sphere.",
    ),
    _measured(
        "head_level_mm",
        "mm",
        "Height of the head centre over the lesser trochanter's apex, along "
        "the proximal shaft axis.",
    ),
    _measured("head_to_lt_mm", "mm", "Distance of head centre and lesser trochanter apex."),
    _measured(
        "neck_shaft_angle_deg",
        "deg",
        "Angle between neck axis and proximal shaft axis in space; the neck axis runs from the "
        "centre of the narrowest section of the neck to the head centre.",
    ),
    _measured(
        "neck_shaft_angle_sphere_deg",
        "deg",
        "The same with the neck axis by the enlarged sphere: from the centre of the patch in which "
        "the head's sphere, 25 % larger, cuts the neck, to the head centre.",
        "neck_axes_102",
    ),
    _measured(
        "neck_shaft_angle_ap_deg",
        "deg",
        "Neck-shaft angle as an AP film shows it with the leg as it lay: projected on the plane of "
        "the shaft axis and the scanner's left-right axis.",
    ),
    _measured(
        "neck_turn_ap_deg",
        "deg",
        "Turn of the neck about the shaft axis out of that plane, head forward positive: "
        "tan(180 - projected) = tan(180 - in space) * cos(turn). Not torsion.",
    ),
    _measured(
        "femoral_offset_mm", "mm", "Distance of the head centre from the proximal shaft axis."
    ),
    _measured(
        "femoral_offset_ap_mm",
        "mm",
        "The same as an AP film shows it with the leg as it lay, without magnification.",
    ),
    _measured(
        "trochanter_tip_x_mm", "mm", "Tip of the greater trochanter, patient x (to the left)."
    ),
    _measured(
        "trochanter_tip_y_mm", "mm", "Tip of the greater trochanter, patient y (to the back)."
    ),
    _measured(
        "trochanter_tip_z_mm", "mm", "Tip of the greater trochanter, patient z (to the head)."
    ),
    _measured(
        "head_above_trochanter_tip_mm",
        "mm",
        "Height of the head centre over the greater trochanter's tip along the shaft axis; below "
        "it is negative.",
        "tip_apas",
    ),
    _measured(
        "head_to_trochanter_tip_mm",
        "mm",
        "Distance of head centre and tip of the greater trochanter.",
    ),
    _measured(
        "canal_volume_lt_isthmus_mm3",
        "mm3",
        "Volume of the canal between the lesser trochanter and the isthmus.",
    ),
    _measured(
        "bow_radius_mm",
        "mm",
        "Radius of the circle through the canal's centres in the AP plane, LT-20 and below; "
        "needs 150 mm of shaft.",
    ),
    _measured(
        "torsion_deg",
        "deg",
        "Turn about the proximal shaft axis from the neck axis to the posterior condylar line; "
        "anteversion is positive on either side, retroversion negative.",
        "torsion_2024",
    ),
    _text(
        "torsion_method",
        "Between which axes torsion_deg stands; methods differ by up to 11 degrees.",
    ),
    _measured(
        "torsion_transepicondylar_deg",
        "deg",
        "As torsion_deg, to the line through both epicondyles instead: the middles of the top 1 mm "
        "of what stands out farthest along the posterior condylar line.",
        "torsion_2024",
    ),
    _measured(
        "femur_length_mm",
        "mm",
        "From the head's top to the condyles' lowest place, along the proximal shaft axis.",
    ),
    _measured(
        "mechanical_axis_length_mm",
        "mm",
        "Length of the mechanical axis: from the head's centre to the middle of both epicondyles.",
    ),
    _measured(
        "mechanical_anatomical_angle_deg",
        "deg",
        "Angle between the mechanical axis and the anatomical one (the proximal shaft axis), seen "
        "in the condylar plane; positive where the head lies medially of the anatomical axis.",
    ),
    _measured(
        "isthmus_height_share",
        "1",
        "Height of the isthmus over the condyles' lowest place, as a share of the femur's length.",
    ),
    _measured("cortex_hu", "HU", "Density of thick cortex, blur removed."),
    _measured(
        "cancellous_neck_hu",
        "HU",
        "Mean of the CT in 10 mm of the neck about its narrowest section, at least 3 mm, and three "
        "widths of the blur, inside its cortex; hangs on the tube voltage, no bone density.",
    ),
    _measured(
        "cancellous_metaphysis_hu",
        "HU",
        "Mean of the CT in the canal from LT+10 to LT+20, at least 3 mm, and three widths of the "
        "blur, inside the cortex; hangs on the tube voltage, no bone density.",
    ),
    Column(name="slice_spacing_mm", unit="mm", definition="Distance between slices."),
    Column(name="pixel_mm", unit="mm", definition="Larger pixel spacing of the slices."),
    _text("kernel", "Reconstruction kernel as written in the file."),
    Column(name="kvp", unit="kV", definition="Tube voltage as written in the file."),
    _text("software_version", "Version of canalmorph."),
    _text("settings_hash", "Hash of all settings."),
)

_OUTLINE_COLUMNS = tuple(
    _measured(f"{outline}_{name}", unit, f"{words} outline: {definition}")
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
    _measured("canal_inscribed_mm", "mm", "Diameter of the largest circle in the canal."),
    _measured(
        "canal_dense_ml_mm",
        "mm",
        "ML width of the canal within dense cortex: where the inner cortex is porous, the edge of "
        "as much dense cortex as would hold the wall's mineral; blank where it is not.",
    ),
    _measured("canal_dense_ap_mm", "mm", "AP width of the canal within dense cortex."),
    _measured("cortex_medial_mm", "mm", "Mean cortical thickness, medial quarter."),
    _measured("cortex_lateral_mm", "mm", "Mean cortical thickness, lateral quarter."),
    _measured("cortex_anterior_mm", "mm", "Mean cortical thickness, anterior quarter."),
    _measured("cortex_posterior_mm", "mm", "Mean cortical thickness, posterior quarter."),
    _measured("cortex_min_mm", "mm", "Smallest cortical thickness of the section."),
    _measured("cortex_mean_mm", "mm", "Mean cortical thickness of the section."),
)

SECTION_COLUMNS = (
    _text("case_id", "Keyed hash that names the measured series."),
    _text("side", "left or right, from patient coordinates."),
    Column(
        name="level_mm",
        unit="mm",
        definition="Height over the lesser trochanter along the shaft axis.",
    ),
    *SECTION_MEASURES,
    _measured(
        "axis_tilt_deg", "deg", "Angle between the canal's local axis and the proximal shaft axis."
    ),
    _text("quality", "Quality flags, joined by semicolons."),
)

AXIAL_COLUMNS = (
    _text("case_id", "Keyed hash that names the measured series."),
    _text("side", "left or right, from patient coordinates."),
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
    _measured(
        "tilt_deg",
        "deg",
        "Angle between the slice's normal and the proximal shaft axis, one a femur; widths along "
        "the tilt are longer on the slice by about 1 / cos of it.",
    ),
    _measured(
        "local_tilt_deg",
        "deg",
        "Angle between the slice's normal and the canal's local axis, through the middles of its "
        "sections 10 mm above and below; near the lesser trochanter it follows the canal's turn "
        "into the neck.",
    ),
    _text("quality", "Quality flags, joined by semicolons."),
)

REFUSAL_COLUMNS = (
    _text("case_id", "Keyed hash of the series, or of its place where it could not be read."),
    _text("file", "File or series, relative to the input."),
    _text("side", "The femur, where only one was refused."),
    _text("stage", "Stage that refused."),
    _text("reason_code", "Reason."),
    _text("tag", "DICOM tag or header field at fault."),
    _text("message", "What is wrong and what to do."),
)

SIDE_COLUMNS = (
    _text("case_id", "Keyed hash that names the measured series."),
    _text("column", "The column of femurs.csv that is compared."),
    _text("unit", "Its unit; 1 for a ratio."),
    _measured("right", "row", "The right femur's number."),
    _measured("left", "row", "The left femur's number."),
    _measured(
        "difference",
        "row",
        "Left less right. In its uncertainty, what both sides share (density, blur and kernel of "
        "the scan) is left out, since it cancels.",
    ),
    Column(name="difference_over_u", unit="1", definition="The difference over its uncertainty."),
    _text("beyond_3u", "yes where the difference is above 3 of its uncertainties, else no."),
)
