"""What the pages say of a review: who signed or rejected it when, and what was set by hand."""

from canalmorph.model.corrections import Correction, CorrectionKind, Review, ReviewState

KIND_WORDS = {
    CorrectionKind.LESSER_TROCHANTER: "level of the lesser trochanter",
    CorrectionKind.ISTHMUS: "isthmus",
    CorrectionKind.HEAD: "head",
    CorrectionKind.NECK: "neck axis",
    CorrectionKind.PLANE: "plane of ML and AP",
    CorrectionKind.OUTER_OUTLINE: "outer outline of a section",
    CorrectionKind.CANAL_OUTLINE: "canal outline of a section",
    CorrectionKind.METAL: "metal",
    CorrectionKind.FRACTURE: "fracture of the shaft",
    CorrectionKind.NECK_FRACTURE: "fracture of the neck or head",
    CorrectionKind.DROP_SIDE: "left out",
    CorrectionKind.SWAP_SIDES: "left and right exchanged",
}


def describe_review(review: Review | None, *, named: bool = True) -> tuple[str, ...]:
    """Return what a page says of a review, in sentences; nothing where nobody said anything.

    Without `named` neither who nor when.

    Examples
    --------
    >>> signed = Review(
    ...     case_id="a", state=ReviewState.SIGNED, by="M. Okoro", at="2026-03-01T09:30:00.000+00:00"
    ... )
    >>> describe_review(signed)
    ('Reviewed: signed by M. Okoro on 2026-03-01.',)
    >>> describe_review(signed, named=False)
    ('Reviewed: signed.',)
    """
    if review is None:
        return ()
    said = []
    who = f" by {review.by} on {review.at[:10]}" if named else ""
    if review.state is ReviewState.SIGNED:
        said.append(f"Reviewed: signed{who}.")
    elif review.state is ReviewState.REJECTED:
        said.append(f"Rejected{who}: do not use the numbers.")
    if review.corrections:
        said_of = " by the scan" if review.swaps_sides else ""
        marks = "; ".join(
            dict.fromkeys(describe_mark(mark, said_of=said_of) for mark in review.corrections)
        )
        unsigned = "" if review.state is not ReviewState.CORRECTED else " Not signed."
        said.append(f"Set by hand: {marks}. The numbers follow.{unsigned}")
    return tuple(said)


def describe_mark(mark: Correction, *, said_of: str = "") -> str:
    """Return what a mark is of, with its side and who says so.

    Examples
    --------
    >>> describe_mark(Correction(kind=CorrectionKind.SWAP_SIDES, side=None))
    'left and right exchanged'
    """
    words = KIND_WORDS[mark.kind]
    return words if mark.side is None else f"{words} ({mark.side.value}{said_of})"
