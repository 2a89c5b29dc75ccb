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
#: Lower ends of the straight rods that begin at LT+0, by the name in the column. [mm]
ROD_BOTTOMS_MM: dict[str, float] = {"minus60": -60.0, "minus100": -100.0, "minus150": -150.0}
#: Levels at which the canal's centre is compared with the proximal shaft axis. [mm]
DEVIATION_LEVELS_MM: dict[str, float] = {"lt_minus100": -100.0, "lt_minus150": -150.0}


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


def _rod_columns() -> tuple[Column, ...]:
    columns: list[Column] = []
    for name, bottom in ROD_BOTTOMS_MM.items():
        prefix, rod = f"rod_lt_to_{name}", f"widest straight rod in the canal, LT to LT{bottom:.0f}"
        columns.append(
            _measured(
                f"{prefix}_mm",
                "mm",
                f"Diameter of the {rod}: the largest cylinder between the planes of both levels "
                "that nowhere cuts the canal's surface. General geometry, no implant's shape.",
            )
        )
        for axis, way in (("ml", "medially"), ("ap", "backwards")):
            columns.append(
                _measured(
                    f"{prefix}_tilt_{axis}_deg",
                    "deg",
                    f"Tilt of the {rod}, against the proximal shaft axis in the {axis.upper()} "
                    f"plane; positive where its upper end leans {way}. Where several axes hold as "
                    "wide a rod, the middle of them; the uncertainty is their range.",
                )
            )
        for axis, way in (("ml", "medial"), ("ap", "posterior")):
            columns.append(
                _measured(
                    f"{prefix}_entry_{axis}_mm",
                    "mm",
                    f"Where the axis of the {rod}, meets the plane of the LT: {way} distance from "
                    "the proximal shaft axis.",
                )
            )
        columns.append(
            _text(f"{prefix}_contacts", f"Sides and levels that hold the {rod}, from the top.")
        )
    return tuple(columns)


def _deviation_columns() -> tuple[Column, ...]:
    columns = []
    for name, level in DEVIATION_LEVELS_MM.items():
        for axis, way in (("ml", "medial"), ("ap", "posterior")):
            columns.append(
                _measured(
                    f"centre_{axis}_{name}_mm",
                    "mm",
                    f"Middle of the canal at LT{level:.0f}, {way} distance from the proximal shaft "
                    "axis: what a straight stem on that axis misses it by.",
                )
            )
        for axis, way in (("ml", "medially"), ("ap", "backwards")):
            columns.append(
                _measured(
                    f"axis_tilt_{axis}_{name}_deg",
                    "deg",
                    f"Canal's local axis at LT{level:.0f} (its middles 10 mm above and below) "
                    f"against the proximal shaft axis in the {axis.upper()} plane; positive where "
                    f"it leans {way} upwards.",
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

FEMUR_COLUMNS = (
    _text("case_id", "Keyed hash that names the measured series."),
    _text("side", "left or right, from patient coordinates."),
    _text("status", "measured, or partial where a measured column is blank."),
    _text("warnings", "Warning codes, joined by semicolons."),
    _text("plane", "What ML and AP mean: neck (shaft axis and neck axis) or scanner (coronal)."),
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
    *INDEX_COLUMNS,
    _text("canal_shape", "stovepipe (CFI < 3), normal (3 to 4.7), champagne_flute (> 4.7)."),
    Column(name="p_stovepipe", unit="1", definition="Probability of the shape stovepipe."),
    Column(name="p_normal", unit="1", definition="Probability of the shape normal."),
    Column(name="p_champagne_flute", unit="1", definition="Probability of champagne_flute."),
    _text("bone_letter", "A, B or C, estimated from canal ratio and cortical index, ML and AP."),
    Column(name="p_letter_a", unit="1", definition="Probability of the letter A."),
    Column(name="p_letter_b", unit="1", definition="Probability of the letter B."),
    Column(name="p_letter_c", unit="1", definition="Probability of the letter C."),
    _text("fixation", "press_fit, cemented, undecided or not_given; for discussion only."),
    _measured("head_x_mm", "mm", "Head centre, patient x (to the left)."),
    _measured("head_y_mm", "mm", "Head centre, patient y (to the back)."),
    _measured("head_z_mm", "mm", "Head centre, patient z (to the head)."),
    _measured("head_diameter_mm", "mm", "Diameter of the sphere of the femoral head."),
    _measured(
        "neck_shaft_angle_deg", "deg", "Angle between neck axis and proximal shaft axis in space."
    ),
    _measured(
        "femoral_offset_mm", "mm", "Distance of the head centre from the proximal shaft axis."
    ),
    _measured(
        "canal_volume_lt_isthmus_mm3",
        "mm3",
        "Volume of the canal between the lesser trochanter and the isthmus.",
    ),
    _measured(
        "bow_radius_mm",
        "mm",
        "Radius of the forward bow: of the circle through the canal's centres in the AP plane, "
        "LT-50 down to LT-240, the flare to the knee or the scan's end; needs 100 mm of shaft.",
        "bow_1232",
    ),
    _measured(
        "bow_direction_deg",
        "deg",
        "Direction in which the same centre line is bowed, seen along the shaft: 0 straight "
        "forwards, positive toward lateral.",
    ),
    *_deviation_columns(),
    *_rod_columns(),
    _measured("cortex_hu", "HU", "Density of thick cortex, blur removed."),
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
