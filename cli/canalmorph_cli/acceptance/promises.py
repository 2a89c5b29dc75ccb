"""What is promised of the numbers, one line a promise, and how a set of records is judged by it.

The promises hold for slices up to 1 mm, noise up to 30 HU and a kernel without edge enhancement.
Beyond that the spread may be twice as large, and the stated uncertainty must say so.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import inf, isfinite, nan

from canalmorph.model.column import NAMED_LEVELS_MM
from canalmorph_cli.acceptance.promise import Promise
from canalmorph_cli.acceptance.records import (
    CFI_OUT_OF_VIEW,
    FEMUR_MEASURED,
    HEAD_CENTRE,
    LT_LEVEL,
    Record,
    ScanConditions,
)
from canalmorph_cli.acceptance.summaries import ErrorSummary, summarise

#: The scans for which the promises are made. [mm, HU]
SLICE_UP_TO_MM, NOISE_UP_TO_HU = 1.0, 30.0
#: Beyond them the spread may be so many times larger.
BEYOND_SD_FACTOR = 2.0
#: And so large a share of the numbers may be wrong by more than three standard uncertainties.
BEYOND_SHARE = 0.01
#: Of fewer femora a mean and a spread say little: only the worst case is then judged.
FEWEST_FEMORA = 5
#: Of fewer numbers one in a hundred cannot be told.
FEWEST_SCORED = 300
#: Levels at and below this are on the shaft: the canal's width changes by less than 0.1 mm per
#: millimetre there, so that the level hardly enters. [mm above the lesser trochanter]
SHAFT_BELOW_MM = -60.0

LT_FLAGS = frozenset({"lt_uncertain"})
CFI_FLAGS = LT_FLAGS | {"isthmus_ambiguous"}


class Domain(StrEnum):
    """Which scans a promise is judged on."""

    ORDINARY = "ordinary"
    BEYOND = "beyond"


class Standing(StrEnum):
    """How a promise stands."""

    HELD = "held"
    BROKEN = "broken"
    NOT_JUDGED = "not judged"


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One bound of a promise, and what was found.

    Attributes
    ----------
    name : str
        ``bias``, ``SD``, ``worst``, ``flagged`` or ``beyond 3 u``.
    found, bound : float
        The bound is for the absolute value.
    judged : bool
        False where there were too few femora.
    """

    name: str
    found: float
    bound: float
    judged: bool = True

    @property
    def held(self) -> bool:
        """Whether what was found lies within the bound."""
        return abs(self.found) <= self.bound


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """A promise, judged.

    Attributes
    ----------
    promise, domain
        Which promise, on which scans.
    summary : ErrorSummary
        Of all its numbers.
    checks : tuple of Check
        One a bound.
    n_femora : int
        On how many femora it was judged.
    flagged : float
        Share of numbers that the tool flagged or left blank.
    """

    promise: Promise
    domain: Domain
    summary: ErrorSummary
    checks: tuple[Check, ...]
    n_femora: int
    flagged: float

    @property
    def standing(self) -> Standing:
        """Broken where any judged bound is, not judged where none was."""
        judged = [check for check in self.checks if check.judged]
        if not judged:
            return Standing.NOT_JUDGED
        return Standing.HELD if all(check.held for check in judged) else Standing.BROKEN


def _shaft_widths() -> frozenset[str]:
    levels = [name for name, level in NAMED_LEVELS_MM.items() if level <= SHAFT_BELOW_MM]
    named = {
        f"{outline}_{axis}_{level}_mm"
        for outline in ("outer", "canal")
        for axis in ("ml", "ap")
        for level in levels
    }
    isthmus = {
        f"isthmus_{outline}_{axis}_mm" for outline in ("outer", "canal") for axis in ("ml", "ap")
    }
    return frozenset(named | isthmus | {"isthmus_canal_inscribed_mm"})


_SECTION_WIDTHS = frozenset(
    {
        f"{outline}_{name}_mm"
        for outline in ("outer", "canal")
        for name in ("ml", "ap", "min", "max", "equivalent")
    }
    | {"canal_inscribed_mm"}
)
_QUARTERS = frozenset(
    f"cortex_{name}_mm" for name in ("medial", "lateral", "anterior", "posterior")
)
THICKNESS_INDICES = frozenset({"cti_ml_lt_minus100", "cti_ap_lt_minus100", "cti_ml_isthmus"})

#: What is promised, in the order of the page.
PROMISES: tuple[Promise, ...] = (
    Promise(
        key="femora",
        words="Every femur in view measured, none made up; a bound where the isthmus is not seen",
        unit="1",
        columns=frozenset({FEMUR_MEASURED, CFI_OUT_OF_VIEW}),
        worst=0.0,
    ),
    Promise(
        key="shaft_widths",
        words="Outer and canal widths and diameters, LT-60 and below, cortex of 2 mm and more",
        unit="mm",
        columns=_shaft_widths(),
        section_columns=_SECTION_WIDTHS,
        below_mm=SHAFT_BELOW_MM,
        wall_mm=(2.0, inf),
        bias=0.03,
        sd=0.04,
        worst=0.12,
    ),
    Promise(
        key="cortex_thick",
        # A thicker wall is no harder: bias and SD of 1 to 2 mm hold for it. The worst are oblique
        # walls beside the trochanters.
        words="Cortical thickness, means of quarters, 2 mm and more",
        unit="mm",
        section_columns=_QUARTERS,
        wall_mm=(2.0, inf),
        bias=0.05,
        sd=0.10,
        worst=0.5,
    ),
    Promise(
        key="cortex_1_to_2_mm",
        words="Cortical thickness, means of quarters, 1 to 2 mm",
        unit="mm",
        section_columns=_QUARTERS,
        wall_mm=(1.0, 2.0),
        bias=0.05,
        sd=0.10,
        worst=0.3,
    ),
    Promise(
        key="cortex_below_1_mm",
        words="Cortical thickness, means of quarters, 0.5 to 1 mm",
        unit="mm",
        section_columns=_QUARTERS,
        wall_mm=(0.5, 1.0),
        bias=0.10,
        sd=0.15,
        worst=0.4,
    ),
    Promise(
        key="cti",
        words="Cortical thickness index at LT-100 and at the isthmus, cortex of 2 mm and more",
        unit="1",
        columns=THICKNESS_INDICES,
        wall_mm=(2.0, inf),
        bias=0.001,
        sd=0.002,
        worst=0.006,
    ),
    Promise(
        key="cti_thin",
        # What is promised of walls of 0.5 to 1 mm, for two of them on a bone of 25 mm.
        words="The same, cortex below 2 mm",
        unit="1",
        columns=THICKNESS_INDICES,
        wall_mm=(0.5, 2.0),
        bias=0.008,
        sd=0.012,
        worst=0.032,
    ),
    Promise(
        key="lt_level",
        words="Level of the lesser trochanter; worst of those not flagged",
        unit="mm",
        columns=frozenset({LT_LEVEL}),
        bias=0.15,
        sd=0.3,
        worst=0.8,
        flags=LT_FLAGS,
    ),
    Promise(
        key="canal_lt_plus20",
        words="Canal ML width at LT+20",
        unit="mm",
        columns=frozenset({"canal_ml_lt_plus20_mm"}),
        bias=0.15,
        sd=0.35,
        worst=1.0,
    ),
    Promise(
        key="cfi",
        words="Canal flare index, ML; worst of those not flagged, at most 2 % flagged or blank",
        unit="1",
        columns=frozenset({"cfi_ml"}),
        bias=0.02,
        sd=0.045,
        worst=0.12,
        flags=CFI_FLAGS,
        most_flagged=0.02,
    ),
    Promise(
        key="isthmus_level",
        words="Level of the isthmus",
        unit="mm",
        columns=frozenset({"isthmus_level_mm"}),
        bias=1.0,
        sd=2.0,
        worst=4.0,
    ),
    Promise(
        key="head_centre",
        words="Distance of the head's centre from the true one",
        unit="mm",
        columns=frozenset({HEAD_CENTRE}),
        worst=0.4,
    ),
    Promise(
        key="head_diameter",
        words="Diameter of the head",
        unit="mm",
        columns=frozenset({"head_diameter_mm"}),
        worst=0.5,
    ),
    Promise(
        key="neck_shaft_angle",
        words="Neck-shaft angle, in space",
        unit="deg",
        columns=frozenset({"neck_shaft_angle_deg"}),
        bias=0.5,
        worst=2.0,
    ),
    Promise(
        key="offset",
        words="Offset of the head, in space",
        unit="mm",
        columns=frozenset({"femoral_offset_mm"}),
        worst=0.8,
    ),
    Promise(
        key="torsion",
        words="Torsion, neck against the condyles' line from behind",
        unit="deg",
        columns=frozenset({"torsion_deg"}),
        worst=1.5,
    ),
)

#: What is promised on virtual scans made from real surfaces, beside the widths at LT-100.
VIRTUAL_PROMISES: tuple[Promise, ...] = (
    Promise(
        key="lt_level_virtual",
        words="Level of the lesser trochanter, virtual scans of real surfaces",
        unit="mm",
        columns=frozenset({LT_LEVEL}),
        bias=0.5,
        sd=0.8,
        worst=1.5,
        flags=LT_FLAGS,
    ),
)


def get_domain(conditions: ScanConditions) -> Domain:
    """Return which promise a scan is judged by; what is not known is taken as ordinary.

    Examples
    --------
    >>> str(get_domain(ScanConditions(slice_mm=1.0, noise_hu=15.0)))
    'ordinary'
    >>> str(get_domain(ScanConditions(slice_mm=3.0, noise_hu=15.0)))
    'beyond'
    """
    # A slice distance from a file is a difference of two positions.
    thick = conditions.slice_mm > SLICE_UP_TO_MM + 1e-6
    noisy = conditions.noise_hu > NOISE_UP_TO_HU
    return Domain.BEYOND if thick or noisy or conditions.edge_enhancement > 0 else Domain.ORDINARY


def judge_records(
    records: Iterable[Record], promises: Sequence[Promise] = PROMISES
) -> tuple[Judgement, ...]:
    """Return every promise judged, first on ordinary scans, then on those beyond.

    Parameters
    ----------
    records : iterable of Record
        Of any scans.
    promises : sequence of Promise
        By default all of the registry.
    """
    by_domain: dict[Domain, list[Record]] = {domain: [] for domain in Domain}
    for record in records:
        by_domain[get_domain(record.conditions)].append(record)
    judgements = [judge_promise(one, by_domain[Domain.ORDINARY]) for one in promises]
    beyond = by_domain[Domain.BEYOND]
    if beyond:
        judgements += [judge_promise(one, beyond, domain=Domain.BEYOND) for one in promises]
        judgements.append(_judge_uncertainty(beyond))
    return tuple(judgements)


def judge_promise(
    promise: Promise, records: Iterable[Record], *, domain: Domain = Domain.ORDINARY
) -> Judgement:
    """Return one promise judged on records of scans of one domain."""
    chosen = [record for record in records if promise.is_about(record)]
    plain = [record for record in chosen if not promise.flags_record(record)]
    summary, unflagged = summarise(chosen), summarise(plain)
    n_femora = _count_femora(chosen)
    flagged = 1 - len(plain) / len(chosen) if chosen else nan
    many = n_femora >= FEWEST_FEMORA
    # A promise without bias and SD is about events: it holds beyond as well.
    sd_factor = 1.0 if domain is Domain.ORDINARY else BEYOND_SD_FACTOR
    checks = [_check("SD", summary.sd, promise.sd, sd_factor, judged=many)]
    if domain is Domain.ORDINARY:
        checks.insert(0, _check("bias", summary.bias, promise.bias, judged=many))
        checks.append(_check("flagged", flagged, promise.most_flagged, judged=many))
    if domain is Domain.ORDINARY or promise.worst == 0:
        checks.append(_check("worst", unflagged.worst, promise.worst))
    return Judgement(
        promise=promise,
        domain=domain,
        summary=summary,
        checks=tuple(check for check in checks if check is not None),
        n_femora=n_femora,
        flagged=flagged,
    )


#: What the stated uncertainties are promised to be, on scans beyond the ordinary ones.
UNCERTAINTY_PROMISE = Promise(
    key="uncertainty_beyond",
    words="All numbers: errors over 3 stated standard uncertainties in at most 1 %",
    unit="1",
)


def _judge_uncertainty(records: Sequence[Record]) -> Judgement:
    scored = [record for record in records if record.z is not None]
    summary = summarise(scored)
    n_femora = _count_femora(scored)
    # Numbers of one femur share their errors, so that many of them say no more than a few.
    judged = summary.n_scored >= FEWEST_SCORED and n_femora >= FEWEST_FEMORA
    check = Check(name="beyond 3 u", found=summary.beyond, bound=BEYOND_SHARE, judged=judged)
    return Judgement(
        promise=UNCERTAINTY_PROMISE,
        domain=Domain.BEYOND,
        summary=summary,
        checks=(check,),
        n_femora=n_femora,
        flagged=0.0,
    )


def _count_femora(records: Sequence[Record]) -> int:
    return len({(record.scan, record.side) for record in records if record.measured is not None})


def _check(
    name: str, found: float, bound: float | None, factor: float = 1.0, *, judged: bool = True
) -> Check | None:
    if bound is None or not isfinite(found):
        return None
    return Check(name=name, found=found, bound=factor * bound, judged=judged)
