"""A measured case measured again with a person's marks, from what it was measured on.

No scan is read and no surface is found anew: `correct_case` is a function of the case's record, of
its surfaces and of the marks. What is not marked keeps the numbers of its record.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from canalmorph.advise.sides import caution_about_sides
from canalmorph.errors import CanalMorphError
from canalmorph.femur_errors import SideDroppedError
from canalmorph.model.corrections import CONFIRMED_MM, Correction, CorrectionKind, Unfit
from canalmorph.model.femur import AlignedFemur, Side
from canalmorph.model.results import CaseResult, FemurResult, Measurement, Refusal
from canalmorph.pipeline import Settings, correct_femur, join_sides
from canalmorph.version import VERSION

#: Measured femora that are kept; each shares most of its arrays with the others.
MOST_KEPT = 16


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CorrectedCase:
    """A case with a person's marks.

    Attributes
    ----------
    case : CaseResult
        The numbers that follow from the marks.
    aligned : tuple of AlignedFemur
        What they were measured on, in the order of the case's femora and under their sides.
    unfit : tuple of Unfit
        Marks that were left out.
    """

    case: CaseResult
    aligned: tuple[AlignedFemur, ...]
    unfit: tuple[Unfit, ...] = ()


@dataclass(slots=True)
class MeasuredSides:
    """Femora that were measured with marks already, so that the next mark costs its side only."""

    results: dict[
        tuple[Side, tuple[Correction, ...], bool],
        tuple[AlignedFemur, FemurResult, tuple[Unfit, ...]] | CanalMorphError,
    ] = field(default_factory=dict)

    def measure(
        self,
        aligned: AlignedFemur,
        marks: tuple[Correction, ...],
        settings: Settings,
        *,
        brief: bool = False,
    ) -> tuple[AlignedFemur, FemurResult, tuple[Unfit, ...]]:
        """Return a femur with its marks; raises as `correct_femur`."""
        side = aligned.cortex.femur.side
        key = (side, marks, brief and (side, marks, False) not in self.results)
        if key not in self.results:
            try:
                self.results[key] = correct_femur(aligned, marks, settings, brief=brief)
            except CanalMorphError as error:
                self.results[key] = error
            for oldest in list(self.results)[:-MOST_KEPT]:
                self.results.pop(oldest, None)
        found = self.results[key]
        if isinstance(found, CanalMorphError):
            raise found
        return found


def correct_case(
    case: CaseResult,
    aligned: Sequence[AlignedFemur],
    marks: Sequence[Correction],
    settings: Settings,
    *,
    known: MeasuredSides | None = None,
    brief: bool = False,
) -> CorrectedCase:
    """Return a case with a person's marks.

    Parameters
    ----------
    case : CaseResult
        As it was measured.
    aligned : sequence of AlignedFemur
        What it was measured on.
    marks : sequence of Correction
        All that hold; without any the case stays as it is.
    settings : Settings
        That it was measured with.
    known : MeasuredSides, optional
        Of the same case, from earlier calls.
    brief : bool
        For a person who waits: put off the widest rods and the comparison of both sides.

    Raises
    ------
    ValueError
        If the marks leave no femur: such a case is to be rejected.
    """
    known = known or MeasuredSides()
    by_side = {one.cortex.femur.side: one for one in aligned}
    femora: list[FemurResult] = []
    bases: list[AlignedFemur] = []
    refusals, unfit = list(case.refusals), list(_find_homeless(case, marks))
    touched = False
    for femur in case.femora:
        own = tuple(one for one in marks if one.side is femur.side)
        own = tuple(one for one in own if not _confirms_isthmus(femur, one))
        base = by_side[femur.side]
        touched = touched or bool(own)
        try:
            if any(one.kind is CorrectionKind.DROP_SIDE for one in own):
                raise SideDroppedError(side=femur.side.value)
            if brief and not own:
                femora.append(femur)
                bases.append(base)
                continue
            base, measured, left_out = known.measure(base, own, settings, brief=brief)
        except CanalMorphError as error:
            refusals.append(_refuse(femur, error))
            continue
        bases.append(base)
        unfit += left_out
        # A femur without marks keeps its record; what both sides share is not in it.
        profile = replace(femur.profile, shared_uncertainties=measured.profile.shared_uncertainties)
        femora.append(measured if own else replace(femur, profile=profile))
    if not femora:
        raise ValueError("The marks leave no femur to measure; reject the case instead.")
    corrected = replace(
        case,
        femora=tuple(femora),
        refusals=tuple(refusals),
        software_version=VERSION if touched else case.software_version,
    )
    if any(one.kind is CorrectionKind.SWAP_SIDES for one in marks):
        corrected = _swap_sides(corrected)
        bases = [_rename_side(one) for one in reversed(bases)]
    elif not touched:
        return CorrectedCase(case=case, aligned=tuple(bases), unfit=tuple(unfit))
    joined = replace(corrected, differences=()) if brief else _join(corrected)
    return CorrectedCase(case=joined, aligned=tuple(bases), unfit=tuple(unfit))


def place_bases(
    case: CaseResult, aligned: Sequence[AlignedFemur], *, swapped: bool
) -> tuple[AlignedFemur, ...]:
    """Return what a corrected case is shown on while it is not measured again.

    Parameters
    ----------
    case : CaseResult
        With its marks.
    aligned : sequence of AlignedFemur
        What it was measured on without them.
    swapped : bool
        Whether the marks exchange its sides.

    Returns
    -------
    tuple of AlignedFemur
        The CT as it is, in the frames and under the sides of the case. Without a neck: only
        measuring tells where the marks leave it.
    """
    named = [_rename_side(one) if swapped else one for one in aligned]
    by_side = {one.cortex.femur.side: one for one in named}
    return tuple(
        replace(by_side[femur.side], frame=femur.profile.frame, neck=None) for femur in case.femora
    )


def _find_homeless(case: CaseResult, marks: Sequence[Correction]) -> list[Unfit]:
    """Return the marks of a side that was not measured."""
    sides = {femur.side for femur in case.femora}
    return [
        Unfit(mark=mark, reason=f"The {mark.side.value} femur was not measured.")
        for mark in marks
        if mark.side is not None and mark.side not in sides
    ]


def _confirms_isthmus(femur: FemurResult, mark: Correction) -> bool:
    """Return whether a mark sets the isthmus where it was found."""
    if mark.kind is not CorrectionKind.ISTHMUS:
        return False
    found = femur.indices.values.get("isthmus_level_mm", Measurement()).value
    frame = femur.profile.frame
    level = (mark.points_lps_mm[0] - frame.origin_lps_mm) @ frame.proximal
    return found is not None and bool(abs(float(level) - found) < CONFIRMED_MM)


def _refuse(femur: FemurResult, error: CanalMorphError) -> Refusal:
    return Refusal(stage="review", code=error.code, message=str(error), source="", side=femur.side)


def _rename_side(aligned: AlignedFemur) -> AlignedFemur:
    femur = aligned.cortex.femur
    femur = replace(femur, side=femur.side.other)
    return replace(aligned, cortex=replace(aligned.cortex, femur=femur))


def _swap_sides(case: CaseResult) -> CaseResult:
    """Return the case with each femur under the other side's name; no number of it changes."""
    return replace(
        case,
        femora=tuple(
            replace(
                femur,
                side=femur.side.other,
                profile=replace(femur.profile, side=femur.side.other),
            )
            for femur in reversed(case.femora)
        ),
        refusals=tuple(
            one if one.side is None else replace(one, side=one.side.other) for one in case.refusals
        ),
    )


def _join(case: CaseResult) -> CaseResult:
    """Return the case with its sides compared anew, as when it was measured."""
    said = caution_about_sides(case.differences)
    alone = [
        replace(
            femur,
            advice=replace(
                femur.advice,
                cautions=tuple(one for one in femur.advice.cautions if one not in said),
            ),
        )
        for femur in case.femora
    ]
    differences, femora = join_sides(alone)
    return replace(case, femora=tuple(femora), differences=differences)
