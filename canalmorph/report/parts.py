"""What the pages are called and what they need; whoever measures without pages imports no more."""

from importlib.util import find_spec

PAGE_NAME, SHEET_NAME = "report.html", "report.pdf"
#: What draws them, beside the core's parts, and the extra that brings it.
DRAWING_PARTS, DRAWING_EXTRA = ("matplotlib", "pypdf"), "canalmorph[report]"


def list_missing_parts() -> tuple[str, ...]:
    """Return the parts that are not installed: without any of them no page is drawn."""
    return tuple(part for part in DRAWING_PARTS if find_spec(part) is None)
