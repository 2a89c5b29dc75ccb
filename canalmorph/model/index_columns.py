"""Columns of widths and indices, and of the same indices in other planes."""

from canalmorph.model.column import NAMED_LEVELS_MM, Column, make_measured


def _width_columns() -> tuple[Column, ...]:
    columns = []
    for outline, words in (("canal", "Endosteal (canal)"), ("outer", "Periosteal (outer)")):
        for axis, axis_words in (("ml", "medio-lateral"), ("ap", "antero-posterior")):
            for level, height in NAMED_LEVELS_MM.items():
                columns.append(
                    make_measured(
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


#: Widths at the named levels.
WIDTH_COLUMNS = _width_columns()

INDEX_COLUMNS = (
    make_measured(
        "cfi_ml",
        "1",
        "Canal flare index: canal ML width at LT+20 over that at the isthmus.",
        "noble_1988",
    ),
    make_measured(
        "cfi_ml_lower_bound",
        "1",
        "Where the isthmus lies below the scan: canal ML width at LT+20 over the narrowest in "
        "view; the index is at least this.",
    ),
    make_measured("cfi_ap", "1", "Canal AP width at LT+20 over that at the isthmus.", "laine_2000"),
    make_measured(
        "mcfi_ml",
        "1",
        "Metaphyseal flare index: canal ML width at LT+20 over LT-20.",
        "laine_2000",
    ),
    make_measured(
        "dcfi_ml",
        "1",
        "Distal flare index: canal ML width at LT-20 over the isthmus.",
        "dysplasia_2020",
    ),
    make_measured(
        "cti_ml_lt_minus100",
        "1",
        "Cortical thickness index, ML, at LT-100: (outer - canal) over outer.",
        "cos_2018",
    ),
    make_measured(
        "cti_ap_lt_minus100",
        "1",
        "Cortical thickness index, AP, at LT-100: (outer - canal) over outer.",
        "sah_2007",
    ),
    make_measured("cti_ml_isthmus", "1", "Cortical thickness index, ML, at the isthmus."),
    make_measured(
        "cbr_ml_lt_minus100",
        "1",
        "Canal bone ratio, ML, at LT-100: canal over outer, 1 - CTI.",
        "yeung_2006",
    ),
    make_measured(
        "canal_ratio_isthmus_over_lt_ml",
        "1",
        "Canal ML width at the isthmus over that at the lesser trochanter.",
        "cc_ratio_2024",
    ),
    make_measured(
        "canal_ratio_lt_minus100_over_lt_minus30_ml",
        "1",
        "Canal ML width at LT-100 over that at LT-30.",
        "dorr_1993",
    ),
    make_measured(
        "wall_ratio_posterior_over_anterior_lt_minus100",
        "1",
        "Mean thickness of the posterior quarter of the cortex over that of the anterior quarter, "
        "at LT-100: the two walls of a lateral view.",
        "wall_order",
    ),
    make_measured(
        "mci_ml",
        "1",
        "Morphological cortical index: outer ML width at the lesser trochanter over canal "
        "ML width at LT-70.",
        "spotorno",
    ),
    make_measured(
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
#: Why what hangs on the head is blank where a person marked it.
NECK_BROKEN = "A person marked a fracture of the neck or the head."
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
    known = {column.name: column for column in (*INDEX_COLUMNS, *WIDTH_COLUMNS)}
    known["isthmus_level_mm"] = make_measured(
        "", "mm", "Level below LT-40 at which the canal's ML width is smallest."
    )
    known["isthmus_canal_ml_mm"] = make_measured("", "mm", "Canal ML caliper width at the isthmus.")
    return tuple(
        make_measured(
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
    make_measured(
        "cfi_ml_rotation_10_deg_change",
        "1",
        "Size of the largest change of cfi_ml when its plane is turned about the shaft axis by 10 "
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
