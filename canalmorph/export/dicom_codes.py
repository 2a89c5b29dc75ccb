"""Names, units and places of our numbers as DICOM codes: standard ones, and a private scheme.

The private scheme `SCHEME` has one code for each column of ``femurs.csv``: the column's name, with
its words as meaning; ``columns.csv`` documents it. The few others are listed here. A code's meaning
never changes, as a column's does not.
"""

import re

from highdicom.coding_schemes import CodingSchemeIdentificationItem
from highdicom.sr import CodedConcept
from pydicom.sr.codedict import codes

from canalmorph.model.column import Column
from canalmorph.model.femur import Side

#: Designator of the private coding scheme; those that begin with 99 are nobody's.
SCHEME = "99CANALMORPH"
#: Codes of the private scheme that are no column.
PRIVATE_MEANINGS = {
    "canal": "Medullary canal",
    "standard_uncertainty": "Standard uncertainty (coverage factor 1)",
    "quantity": "Kind of quantity",
    "standing": "What this report is and is not",
    "review": "What a person said of the measurements",
    "caution": "Caution",
    "doubt": "Doubt about this femur or its scan",
    "reason_for": "Reason for the suggestion",
    "reason_against": "What speaks against the suggestion",
    "would_decide": "What would decide",
    "unknown": "Not known to the program",
    "not_measurable": "Not measurable, and why",
    "not_measured": "Femur not measured, and why",
    "stovepipe": "Stovepipe",
    "normal": "Normal",
    "champagne_flute": "Champagne flute",
    "A": "Letter A, estimated",
    "B": "Letter B, estimated",
    "C": "Letter C, estimated",
    "undecided": "Undecided",
    "not_given": "Not given",
    "neck": "Plane of shaft axis and neck axis",
    "condylar": "Plane of the posterior condylar line",
    "scanner": "Scanner's coronal plane",
    "hand": "Plane set by a person",
}
#: UCUM code and meaning, by the unit of the registry of columns.
UNITS = {
    "mm": ("mm", "millimeter"),
    "mm2": ("mm2", "square millimeter"),
    "mm3": ("mm3", "cubic millimeter"),
    "deg": ("deg", "degree"),
    "HU": ("[hnsf'U]", "Hounsfield unit"),
    "kV": ("kV", "kilovolt"),
    "1": ("{ratio}", "ratio"),
}
LATERALITIES = {Side.RIGHT: codes.SCT.Right, Side.LEFT: codes.SCT.Left}
#: Choices that have standard codes: of implant fixation.
_STANDARD_CHOICES = {
    "press_fit": CodedConcept("304367000", "SCT", "Uncemented component fixation"),
    "cemented": CodedConcept("257771002", "SCT", "Cemented component fixation"),
}
#: Kind of quantity by unit; that of lengths follows from the column's name.
_QUANTITIES = {
    "mm2": codes.SCT.Area,
    "mm3": codes.SCT.Volume,
    "deg": CodedConcept("1483009", "SCT", "Angle"),
    "HU": CodedConcept("112031", "DCM", "Attenuation Coefficient"),
    "1": codes.SCT.Ratio,
}
_LENGTHS = (
    (r"^(canal|outer)_(ml|ap)|^isthmus_(canal|outer)_(ml|ap)", codes.SCT.Width),
    (r"diameter|inscribed_mm$|^rod_.*minus\d+_mm$", codes.SCT.Diameter),
    (r"radius", codes.SCT.Radius),
    (r"_length_mm$", codes.SCT.Length),
    (r"_[xyz]_mm$|_level(_\w+)?_mm$", None),
)
_UNIT_ENDING = re.compile(r"_(mm3|mm2|mm|deg|hu)$")
_ABBREVIATIONS = {"lt", "ml", "ap", "cfi", "mcfi", "dcfi", "cti", "cbr", "mci"}


def make_private_code(value: str) -> CodedConcept:
    """Return a code of the private scheme that is no column."""
    return CodedConcept(value, SCHEME, PRIVATE_MEANINGS[value])


def make_column_code(name: str) -> CodedConcept:
    """Return the private code of a column: its name, with its words as meaning."""
    return CodedConcept(name, SCHEME, describe_name(name))


def make_choice_code(value: str) -> CodedConcept:
    """Return the code of a text that is one of a few: a shape, a letter, a suggestion, a plane."""
    return _STANDARD_CHOICES.get(value) or make_private_code(value)


def make_unit_code(unit: str) -> CodedConcept:
    """Return the UCUM code of a unit of the registry of columns."""
    value, meaning = UNITS[unit]
    return CodedConcept(value, "UCUM", meaning)


def find_quantity(column: Column) -> CodedConcept | None:
    """Return the standard code for the kind of a column's quantity, or None where there is none.

    Examples
    --------
    >>> from canalmorph.model.column import make_measured
    >>> find_quantity(make_measured("canal_ml_lt_mm", "mm", "A width.")).value
    '103355008'
    """
    if column.unit == "mm":
        found = (code for pattern, code in _LENGTHS if re.search(pattern, column.name))
        code = next(found, codes.DCM.Distance)
    else:
        code = _QUANTITIES.get(column.unit)
    return None if code is None else CodedConcept(code.value, code.scheme_designator, code.meaning)


def describe_name(name: str) -> str:
    """Return a column's name in words: at most the 64 characters of a code's meaning.

    Examples
    --------
    >>> describe_name("canal_ml_lt_minus100_mm")
    'Canal ML LT-100'
    >>> describe_name("rod_lt_to_minus60_tilt_ap_deg")
    'Rod LT to LT-60 tilt AP'
    """
    name = _UNIT_ENDING.sub(lambda m: "_CT_number" if m[1] == "hu" else "", name)
    name = re.sub("^p_", "probability_of_", name).replace("kvp", "tube_voltage")
    name = re.sub(r"lt_to_minus(\d+)", r"lt to LT-\1", name)
    name = re.sub(r"lt_(plus|minus)(\d+)", lambda m: f"LT{'+-'[m[1] == 'minus']}{m[2]}", name)
    words = name.replace("_", " ").split()
    text = " ".join(word.upper() if word in _ABBREVIATIONS else word for word in words)
    return text[0].upper() + text[1:]


def list_schemes() -> list[CodingSchemeIdentificationItem]:
    """Return what an object must say of the private scheme that it uses."""
    return [
        CodingSchemeIdentificationItem(
            designator=SCHEME,
            name="canalmorph: columns of femurs.csv, explained in columns.csv",
            responsible_organization="canalmorph",
        )
    ]
