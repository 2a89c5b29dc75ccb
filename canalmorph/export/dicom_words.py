"""What a Structured Report says in words: nothing that the page does not say too."""

from collections.abc import Iterator

from canalmorph.model.codes import describe_warning
from canalmorph.model.femur import Side
from canalmorph.model.results import CaseResult, FemurResult
from canalmorph.model.review_words import describe_review
from canalmorph.model.standing import STANDING

NOT_A_DIAGNOSIS = "Measurements by a program, read by nobody yet; not a diagnosis."
REVIEWED = "Measurements by a program, seen by a person; not a diagnosis."
#: A side (None for the whole case), the private code of what is said, and the sentence.
Sentence = tuple[Side | None, str, str]


def list_sentences(case: CaseResult, *, deidentified: bool) -> Iterator[Sentence]:
    """Yield every sentence of a case; the first says what the report is and is not.

    Parameters
    ----------
    case : CaseResult
        The case.
    deidentified : bool
        Whether the names of files, which stand in refusals, and of who reviewed are to be left
        out.
    """
    said = describe_review(case.review, named=not deidentified)
    yield None, "standing", f"{REVIEWED if said else NOT_A_DIAGNOSIS} {STANDING}"
    for sentence in said:
        yield None, "review", sentence
    for code in case.scan.warnings:
        yield None, "doubt", describe_warning(code)
    for refusal in case.refusals:
        message = refusal.message
        if refusal.source:
            # A path tells nothing in an archive, and may hold a name.
            message = message.replace(refusal.source, "This scan")
        yield refusal.side, "not_measured", refusal.code if deidentified else message
    for femur in case.femora:
        for name, sentence in _list_of_femur(femur):
            yield femur.side, name, sentence


def _list_of_femur(femur: FemurResult) -> Iterator[tuple[str, str]]:
    advice = femur.advice
    for code in femur.warnings:
        yield "doubt", describe_warning(code)
    for name, sentences in (
        ("reason_for", advice.reasons),
        ("reason_against", advice.against),
        ("would_decide", advice.would_decide),
        ("caution", advice.cautions),
        ("unknown", advice.unknown),
    ):
        for sentence in sentences:
            yield name, sentence
    for column, reason in femur.indices.reasons.items():
        yield "not_measurable", f"{column}: {reason}"
