"""What a measured femur comes to: light data that travels between processes and into tables."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from canalmorph.model.corrections import Review
from canalmorph.model.femur import Calibration, FemurFrame, HeadSphere, Side
from canalmorph.model.index_columns import KNEE_NAMES
from canalmorph.model.volume import PatientFacts, ScanFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """A number and its standard uncertainty (coverage factor 1); both None where not measurable.

    Examples
    --------
    >>> Measurement(value=12.0, u=0.1).known, Measurement().known
    (True, False)
    """

    value: float | None = None
    u: float | None = None

    @property
    def known(self) -> bool:
        """Whether there is a number."""
        return self.value is not None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TurnedWidths:
    """The widths of a profile's sections in another plane through the shaft axis.

    Attributes
    ----------
    turn_deg : float
        By how much ML is turned about the shaft axis, from medial towards posterior. [deg]
    columns, uncertainties : mapping of str to (n,) float array
        ML and AP widths by the names of ``sections.csv``; NaN where not measurable. [mm]
    """

    turn_deg: float
    columns: Mapping[str, NDArray[np.float64]]
    uncertainties: Mapping[str, NDArray[np.float64]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CanalProfile:
    """Every section of one femur, in its own frame.

    Attributes
    ----------
    side : Side
        Body side.
    frame : FemurFrame
        Where the sections lie in patient space.
    levels_mm : (n,) float array
        Height over the lesser trochanter, descending from the top. [mm]
    columns, uncertainties : mapping of str to (n,) float array
        The measured columns of ``sections.csv`` by name, and the standard uncertainty of each
        from edges alone (not from the level); NaN where not measurable. [mm or mm2]
    quality : (n,) int array
        `canalmorph.flags.Quality` bits.
    outer_outline_mm, canal_outline_mm : (n, m, 2) float arrays
        Outlines, as (medial, posterior) from the shaft axis. [mm]
    head : HeadSphere or None
        The head, where known.
    facts : mapping of str to Measurement
        Measures that belong to no level (head, neck, bow, density), by femur column name.
    level_u_mm : float
        Standard uncertainty of level 0. [mm]
    isthmus_in_view : bool
        False where the canal still narrows at the lower end of the scan.
    calibration : Calibration
        Density, blur and noise that the edges rest on.
    blanks : mapping of str to str
        Why a measure that belongs to no level is blank, by femur column name; ``condyles`` says
        why they are unknown.
    turned : mapping of str to TurnedWidths
        The same sections in the ``condylar`` and ``scanner`` planes and turned by 10 degrees,
        ``plus_10`` and ``minus_10``.
    warnings : tuple of str
        Codes.
    shared_uncertainties : mapping of str to (n,) float array
        The part of `uncertainties` that moves all edges of the scan the same way; used while a
        case is measured and not recorded, so that it is empty in a case that was read back.
    texts : mapping of str to str
        Texts that belong to no level (where a rod touches), by femur column name.
    marked_isthmus_mm : float or None
        Level of the isthmus where a person set it; None where it is to be found. [mm]
    """

    side: Side
    frame: FemurFrame
    levels_mm: NDArray[np.float64]
    columns: Mapping[str, NDArray[np.float64]]
    uncertainties: Mapping[str, NDArray[np.float64]]
    quality: NDArray[np.int64]
    outer_outline_mm: NDArray[np.float64]
    canal_outline_mm: NDArray[np.float64]
    head: HeadSphere | None
    facts: Mapping[str, Measurement]
    level_u_mm: float
    isthmus_in_view: bool
    calibration: Calibration
    blanks: Mapping[str, str] = field(default_factory=dict)
    turned: Mapping[str, TurnedWidths] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    shared_uncertainties: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)
    marked_isthmus_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AxialProfile:
    """The sections of one femur on the scanner's own slices, from the top down.

    Attributes
    ----------
    slice_z_mm : (n,) float array
        Patient z at which each slice meets the proximal shaft axis. [mm]
    levels_mm : (n,) float array
        Height of the canal's middle over the lesser trochanter, along the shaft axis; NaN where
        the canal's outline is not known all around. [mm]
    columns, uncertainties : mapping of str to (n,) float array
        The measured columns of ``axial.csv`` by name, and the standard uncertainty of each from
        edges alone; NaN where not measurable. [mm, mm2 or deg]
    quality : (n,) int array
        `canalmorph.flags.Quality` bits.
    """

    slice_z_mm: NDArray[np.float64]
    levels_mm: NDArray[np.float64]
    columns: Mapping[str, NDArray[np.float64]]
    uncertainties: Mapping[str, NDArray[np.float64]]
    quality: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CanalIndices:
    """All measured columns of one femur.

    Attributes
    ----------
    values : mapping of str to Measurement
        By the names of `canalmorph.model.columns.FEMUR_COLUMNS` that are measured.
    reasons : mapping of str to str
        Why a column is blank, by its name: a plain sentence.
    warnings : tuple of str
        Codes.
    """

    values: Mapping[str, Measurement]
    reasons: Mapping[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


class CanalShape(StrEnum):
    """The canal's shape by its flare."""

    STOVEPIPE = "stovepipe"
    NORMAL = "normal"
    CHAMPAGNE_FLUTE = "champagne_flute"


@dataclass(frozen=True, slots=True, kw_only=True)
class CanalType:
    """The canal's shape and the estimated letter, with the probability of each class.

    Attributes
    ----------
    shape : CanalShape or None
        Most probable shape; None where the index is unknown and no bound decides.
    shape_probabilities : mapping of CanalShape to float
        Sum 1; empty where `shape` is None. Where only a lower bound of the index is known and it
        decides, the decided shape has the probability that the bound holds.
    shape_from_bound : bool
        True where a lower bound of the index decided, not the index.
    outside_published_range : bool
        True where the flare index is above 6.5.
    letter : str or None
        ``A``, ``B`` or ``C``, always an estimate.
    letter_probabilities : mapping of str to float
        Sum 1; empty where unknown.
    letter_inputs : mapping of str to Measurement
        The numbers the letter rests on.
    letter_voices : mapping of str to (mapping of str to float)
        What ``canal``, ``ap_view`` and ``lateral_view`` each say alone: the probabilities of the
        letters; empty where unknown.
    """

    shape: CanalShape | None
    shape_probabilities: Mapping[CanalShape, float]
    shape_from_bound: bool = False
    outside_published_range: bool = False
    letter: str | None = None
    letter_probabilities: Mapping[str, float] = field(default_factory=dict)
    letter_inputs: Mapping[str, Measurement] = field(default_factory=dict)
    letter_voices: Mapping[str, Mapping[str, float]] = field(default_factory=dict)


class Fixation(StrEnum):
    """What the numbers speak for, as a matter for discussion."""

    PRESS_FIT = "press_fit"
    CEMENTED = "cemented"
    UNDECIDED = "undecided"
    NOT_GIVEN = "not_given"


@dataclass(frozen=True, slots=True, kw_only=True)
class FixationAdvice:
    """A suggestion for discussion, never without its doubt.

    Attributes
    ----------
    fixation : Fixation
        The suggestion.
    reasons, against, cautions, unknown : tuple of str
        Plain sentences: what speaks for it, what against, the usual cautions, and the facts that
        the tool does not know.
    would_decide : tuple of str
        Where undecided: what would decide it.
    """

    fixation: Fixation
    reasons: tuple[str, ...]
    against: tuple[str, ...]
    cautions: tuple[str, ...]
    unknown: tuple[str, ...]
    would_decide: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why a scan or a femur was not measured; small enough to travel and to tabulate.

    Attributes
    ----------
    stage, code, message : str
        Where, which reason, and a sentence that says what to do.
    source : str
        File or series, relative to the input.
    tag : str
        The DICOM tag or header field at fault, where one is.
    side : Side or None
        The femur, where the rest of the scan was measured.
    warnings : tuple of str
        Codes of what was odd in the scan's files.
    """

    stage: str
    code: str
    message: str
    source: str
    tag: str = ""
    side: Side | None = None
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FemurResult:
    """One measured femur, whole.

    Attributes
    ----------
    side : Side
        Body side.
    profile, indices, canal_type, advice
        What each stage said.
    warnings : tuple of str
        The codes of all stages, sorted, each once.
    axial : AxialProfile or None
        The same measures on the scanner's slices, where they were asked for.
    """

    side: Side
    profile: CanalProfile
    indices: CanalIndices
    canal_type: CanalType
    advice: FixationAdvice
    warnings: tuple[str, ...]
    axial: AxialProfile | None = None

    @property
    def status(self) -> str:
        """``measured``, or ``partial`` where a measured column is blank.

        What needs the knee is no gap of a scan of the hip.
        """
        return "partial" if set(self.indices.reasons) - set(KNEE_NAMES) else "measured"


#: A difference of the two sides above this many of its standard uncertainties is remarked on.
NOTABLE_DEVIATIONS = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SideDifference:
    """One number of the left femur against that of the right one.

    Attributes
    ----------
    column, unit : str
        As in the registry of columns.
    right, left : Measurement
        Both known.
    difference : Measurement
        Left less right; what both uncertainties share is not in its uncertainty.

    Examples
    --------
    >>> one, other = Measurement(value=10.0, u=0.1), Measurement(value=10.5, u=0.1)
    >>> apart = Measurement(value=0.5, u=0.14)
    >>> found = SideDifference(column="x", unit="mm", right=one, left=other, difference=apart)
    >>> found.is_notable
    True
    """

    column: str
    unit: str
    right: Measurement
    left: Measurement
    difference: Measurement

    @property
    def is_notable(self) -> bool:
        """Whether the sides differ by more than `NOTABLE_DEVIATIONS` standard uncertainties."""
        value, u = self.difference.value, self.difference.u
        return value is not None and u is not None and abs(value) > NOTABLE_DEVIATIONS * u


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaseResult:
    """One measured series: its femora and what was refused.

    Attributes
    ----------
    case_id : str
        A keyed hash; names folders and rows.
    scan : ScanFacts
        Provenance.
    patient : PatientFacts
        For the report only.
    spacing_mm : tuple of float
        Slice spacing and the two pixel spacings. [mm]
    femora : tuple of FemurResult
        Right before left.
    refusals : tuple of Refusal
        Sides that were found and not measured.
    software_version, settings_hash : str
        What made it.
    settings : mapping of str to object
        All settings, for the provenance.
    differences : tuple of SideDifference
        Left against right; empty where only one femur was measured.
    review : Review or None
        What persons said of it, where anybody did; the record leaves it to the ledger.
    """

    case_id: str
    scan: ScanFacts
    patient: PatientFacts
    spacing_mm: tuple[float, float, float]
    femora: tuple[FemurResult, ...]
    refusals: tuple[Refusal, ...]
    software_version: str
    settings_hash: str
    settings: Mapping[str, object]
    differences: tuple[SideDifference, ...] = ()
    review: Review | None = None
