"""Every code of the program in one list; the README's table is made from it.

Refusals are the classes of errors, so that a code, its meaning and what to do stand in one place.
"""

from canalmorph import errors, femur_errors, results_errors
from canalmorph.errors import CanalMorphError
from canalmorph.model.code import Code, CodeKind
from canalmorph.model.warning_codes import FEMUR_WARNINGS, QUALITY_FLAGS, SCAN_WARNINGS

#: Code of an error that nobody foresaw.
INTERNAL_ERROR = "internal-error"


def _list_refusals() -> tuple[Code, ...]:
    """Return the code of each class of errors that is not the base of others."""
    classes = [
        each
        for module in (errors, femur_errors, results_errors)
        for each in vars(module).values()
        if isinstance(each, type) and issubclass(each, CanalMorphError)
    ]
    return tuple(
        Code(
            name=each.code,
            kind=CodeKind.REFUSAL,
            meaning=str(each.__doc__).partition("\n")[0],
            action=each.remedy,
        )
        for each in dict.fromkeys(classes)
        if not each.__subclasses__()
    )


def _left_out(name: str, meaning: str, action: str) -> Code:
    return Code(name=name, kind=CodeKind.LEFT_OUT, meaning=meaning, action=action)


REFUSALS = (
    *_list_refusals(),
    Code(
        name=INTERNAL_ERROR,
        kind=CodeKind.REFUSAL,
        meaning="A bug of the program stopped this scan.",
        action="Measure it again with --debug and report what it prints.",
    ),
)

LEFT_OUT = (
    _left_out(
        "not-chosen",
        "Another series of the study is better to measure, or this one is read for its knees.",
        "Nothing; --all-series measures it too.",
    ),
    _left_out("localizer", "A localizer is a projection, not a section.", "Nothing."),
    _left_out(
        "computed-image",
        "A projection, rendering or map that was computed from a scan, such as a MIP or a "
        "subtraction: its edges or values are not the bone's.",
        "Nothing where the scan itself is there; else give that.",
    ),
    _left_out(
        "odd-slice",
        "Slices of another orientation, size or kind lay in the series.",
        "Check that they are no part of the volume.",
    ),
    _left_out(
        "not-ct-image",
        "The object is no CT image (a report, a dose record, another modality).",
        "Nothing.",
    ),
    _left_out("junk", "The directory file of a medium.", "Nothing."),
    _left_out("not-an-image", "Files of no image format lay among the scans.", "Nothing."),
    _left_out(
        "too-few-slices",
        "Single slices beside a volume, such as those that watch the contrast arrive.",
        "Nothing.",
    ),
)

CODES = (*REFUSALS, *LEFT_OUT, *SCAN_WARNINGS, *FEMUR_WARNINGS, *QUALITY_FLAGS)
_LEFT_OUT_ACTIONS = {code.name: code.action for code in LEFT_OUT}
_REFUSED = {code.name for code in REFUSALS}
_WARNINGS = {code.name: code for code in (*SCAN_WARNINGS, *FEMUR_WARNINGS)}


def find_left_out_action(name: str) -> str:
    """Return what to do about a series that was left out; empty for a code of a later version.

    Examples
    --------
    >>> find_left_out_action("not-chosen")
    'Nothing; --all-series measures it too.'
    """
    return _LEFT_OUT_ACTIONS.get(name, "")


def is_left_out(name: str) -> bool:
    """Return whether a code of ``refusals.csv`` always means that nothing is lost.

    Examples
    --------
    >>> is_left_out("localizer"), is_left_out("not-an-image"), is_left_out("no-femur")
    (True, False, False)
    """
    return name in _LEFT_OUT_ACTIONS and name not in _REFUSED


def asks_for_scan(name: str) -> bool:
    """Return whether a warning's scan, sent or taken again, would give what is blank or in doubt.

    Examples
    --------
    >>> asks_for_scan("isthmus_not_in_view"), asks_for_scan("no-preamble")
    (True, False)
    """
    code = _WARNINGS.get(name)
    return code is not None and code.again


def describe_warning(name: str) -> str:
    """Return what a warning of a scan or of a femur means and what to do about it.

    A code of a later version, in a record that it wrote, is returned as words.

    Examples
    --------
    >>> describe_warning("no-preamble")
    'Files lack the DICOM preamble. Nothing to do; the data set was read whole.'
    >>> describe_warning("of_a_later_version")
    'of a later version'
    """
    code = _WARNINGS.get(name)
    return code.sentence if code else name.replace("_", " ").replace("-", " ")
