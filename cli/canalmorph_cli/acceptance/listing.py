"""What an acceptance says in words and rows, for the page and for the terminal."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import NDArray
from rich.table import Table
from rich.text import Text

from canalmorph.published import (
    BIBLIOGRAPHY,
    BLUR_ERROR_EDGES_MM,
    CORTEX_ERROR_HALF_MAXIMUM_MM,
    CORTEX_ERROR_MODEL_MM,
    CORTEX_ERROR_THRESHOLD_MM,
    LENGTH_ERROR_BLOCK_MM,
)
from canalmorph_cli.acceptance.judging import Check, Domain, Judgement, Standing, get_domain
from canalmorph_cli.acceptance.plain_methods import PlainMethod
from canalmorph_cli.acceptance.promises import PROMISES
from canalmorph_cli.acceptance.records import BLUR_WIDTH, FEMUR_MEASURED, Record
from canalmorph_cli.acceptance.run import AcceptanceResult
from canalmorph_cli.acceptance.summaries import ErrorSummary
from canalmorph_cli.console import start_table

#: Decimals of errors by unit: one more than the bounds have.
_DECIMALS = {"deg": 2, "mm": 3, "1": 4}
#: Checks whose number is a share of the numbers.
_SHARES = ("flagged", "beyond 3 u")
#: Thickness of the walls that the published figures are about. [mm]
_PUBLISHED_WALLS_MM = (0.3, 4.0)

#: What the page says of each domain.
DOMAIN_WORDS = {
    Domain.ORDINARY: "Slices up to 1 mm, noise up to 30 HU, kernel without edge enhancement",
    Domain.BEYOND: "Beyond: thicker slices, more noise, sharp kernels; the SD may be twice as "
    "large, and 3 stated standard uncertainties must cover 99 % of the numbers",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PromiseRow:
    """One line of the table of promises; cells are texts."""

    short: str
    words: str
    unit: str
    n: str
    bias: str
    sd: str
    worst: str
    worst_in: str
    other: str
    standing: str
    plain: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedRow:
    """One published figure beside ours."""

    what: str
    published: str
    ours: str
    n: int
    remark: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanRow:
    """One scan in the list of scans."""

    name: str
    purpose: str
    facts: str
    femora: str
    seconds: str


def describe_verdict(result: AcceptanceResult) -> str:
    """Return one sentence: whether the promises hold."""
    judged = [one for one in result.judgements if one.standing is not Standing.NOT_JUDGED]
    if result.broken:
        return f"{len(result.broken)} of {len(judged)} promises are broken."
    return f"All {len(judged)} promises that could be judged are held."


def describe_broken(judgement: Judgement) -> str:
    """Return one sentence: which promise is broken, and by what."""
    promise = judgement.promise
    unit = "" if promise.unit == "1" else f" {promise.unit}"
    reasons = [
        f"{100 * check.found:.1f} % {check.name}, promised at most {_format_bound(check)}"
        if check.name in _SHARES
        else f"{check.name} {_format(check.found, promise.unit)}{unit}, promised "
        f"{check.bound:g}{unit}"
        for check in judgement.checks
        if check.judged and not check.held
    ]
    words = promise.words.split(";")[0]
    place = f" (worst: {judgement.summary.worst_in})" if judgement.summary.worst_in else ""
    return f"{words} [{judgement.domain}]: {'; '.join(reasons)}{place}."


def list_rows(result: AcceptanceResult, domain: Domain) -> list[PromiseRow]:
    """Return the promises of one domain, in the order of the registry."""
    return [_make_row(result, one) for one in result.judgements if one.domain is domain]


def _make_row(result: AcceptanceResult, judgement: Judgement) -> PromiseRow:
    promise, summary = judgement.promise, judgement.summary
    checks = {check.name: check for check in judgement.checks}
    other = [
        f"{100 * check.found:.1f} % {name} ({_format_bound(check)})"
        for name, check in checks.items()
        if name in _SHARES
    ]
    if summary.n_blank:
        other.append(f"{summary.n_blank} blank")
    events = promise.worst == 0 or "beyond 3 u" in checks
    worst = checks.get("worst")
    return PromiseRow(
        short=promise.key.replace("_", " "),
        words=promise.words,
        unit="" if promise.unit == "1" else promise.unit,
        n=f"{summary.n} / {judgement.n_femora}",
        bias="" if events else _format_found(summary.bias, promise.unit, checks.get("bias")),
        sd="" if events else _format_found(summary.sd, promise.unit, checks.get("SD")),
        worst=""
        if "beyond 3 u" in checks
        else _format_found(worst.found if worst else summary.worst, promise.unit, worst),
        worst_in="" if events else summary.worst_in,
        other="; ".join(other),
        standing=judgement.standing.value,
        plain=tuple(
            _format_plain(one, promise.unit) for one in result.summarise_plain(judgement).values()
        ),
    )


def _format(value: float, unit: str) -> str:
    if not isfinite(value):
        return "–"
    text = f"{value:.{_DECIMALS[unit]}f}"
    text = text.removeprefix("-") if float(text) == 0 else text
    return text.replace("-", "\N{MINUS SIGN}")


def _format_bound(check: Check) -> str:
    return f"{100 * check.bound:g} %" if check.name in _SHARES else f"{check.bound:g}"


def _format_found(value: float, unit: str, check: Check | None) -> str:
    """Return a number with its bound in brackets; a star where the bound was not judged."""
    if check is None:
        return _format(value, unit)
    star = "" if check.judged else "*"
    mark = "" if check.held or not check.judged else " !"
    return f"{_format(value, unit)} ({_format_bound(check)}){star}{mark}"


def _format_plain(summary: ErrorSummary, unit: str) -> str:
    if summary.n == 0:
        return "–"
    bias, sd, worst = (_format(one, unit) for one in (summary.bias, summary.sd, summary.worst))
    return f"{bias} / {sd} / {worst}"


def list_published(result: AcceptanceResult) -> list[PublishedRow]:
    """Return the published figures beside those of this run."""
    ordinary = [one for one in result.records if get_domain(one.conditions) is Domain.ORDINARY]
    low, high = _PUBLISHED_WALLS_MM
    quarters = next(one for one in PROMISES if one.key == "cortex_thick").section_columns
    shaft = next(one for one in PROMISES if one.key == "shaft_widths")

    def select_walls(records: Iterable[Record]) -> list[Record]:
        return [
            one
            for one in records
            if one.column in quarters
            and low <= one.true <= high
            and get_domain(one.conditions) is Domain.ORDINARY
        ]

    rows = []
    remark = "cadaver femora, every point of the surface; ours: phantoms, means of quarters"
    for words, published, records in (
        ("blurred-cortex model / canalmorph", CORTEX_ERROR_MODEL_MM, ordinary),
        (
            "fixed threshold",
            CORTEX_ERROR_THRESHOLD_MM,
            result.list_plain(PlainMethod.THRESHOLD),
        ),
        (
            "half-maximum",
            CORTEX_ERROR_HALF_MAXIMUM_MM,
            result.list_plain(PlainMethod.HALF_MAXIMUM),
        ),
    ):
        errors = _list_errors(select_walls(records))
        title = f"Cortical thickness, {words}, error"
        rows.append(_compare(title, published, errors, remark, "treece_2010"))
    lengths = [one for one in ordinary if shaft.is_about(one)]
    rows.append(
        _compare(
            "Lengths, absolute error",
            LENGTH_ERROR_BLOCK_MM,
            np.abs(_list_errors(lengths)),
            "machined blocks in a real scanner; ours: widths on the shaft of phantoms",
            "solid_block",
        )
    )
    blurs = [one for one in ordinary if one.column == BLUR_WIDTH]
    rows.append(
        _compare(
            "Blur found in the image, full width at half maximum, absolute error",
            BLUR_ERROR_EDGES_MM,
            np.abs(_list_errors(blurs)),
            "clinical scans; ours: phantoms with a Gaussian blur, an easier case",
            "blur_edges_2014",
        )
    )
    return rows


def _list_errors(records: Sequence[Record]) -> NDArray[np.float64]:
    return np.array([one.error for one in records if one.error is not None], dtype=np.float64)


def _compare(
    what: str,
    published: tuple[float, float],
    errors: NDArray[np.float64],
    remark: str,
    source: str,
) -> PublishedRow:
    ours = "–"
    if errors.size:
        ours = f"{_format(float(errors.mean()), 'mm')} ± {_format(float(errors.std()), 'mm')}"
    return PublishedRow(
        what=what,
        published=f"{published[0]:.2f} ± {published[1]:.2f}".replace("-", "\N{MINUS SIGN}"),
        ours=ours,
        n=int(errors.size),
        remark=remark,
        source=BIBLIOGRAPHY[source],
    )


def list_scans(result: AcceptanceResult) -> Iterator[ScanRow]:
    """Yield the scans, studies left out, in the order in which they were measured."""
    for spec, scan in zip(result.specs, result.scans, strict=True):
        scanner = spec.scanner
        kernel = f", edges {scanner.edge_enhancement:g}" if scanner.edge_enhancement else ""
        femora = [
            f"{one.side} {'measured' if one.error == 0 else one.reason}"
            for one in scan.records
            if one.column == FEMUR_MEASURED
        ]
        yield ScanRow(
            name=spec.name,
            purpose=spec.purpose,
            facts=f"pixel {scanner.pixel_mm:g} mm, slices {scanner.slice_spacing_mm:g} mm, "
            f"noise {scanner.noise_sd_hu:g} HU{kernel}",
            femora=", ".join(femora),
            seconds=f"{scan.seconds:.0f}",
        )


def tabulate_judgements(result: AcceptanceResult, domain: Domain) -> Table:
    """Return the promises of one domain as a table for the terminal."""
    table = start_table(title=DOMAIN_WORDS[domain])
    table.add_column("found (promised)", no_wrap=True)
    for name in ("bias", "SD", "worst"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("in doubt", max_width=16)
    for method in PlainMethod:
        table.add_column(method.value, justify="right")
    table.add_column("promise", no_wrap=True)
    for row in list_rows(result, domain):
        unit = f" [{row.unit}]" if row.unit else ""
        cells = (f"{row.short}{unit}", row.bias, row.sd, row.worst, row.other, *row.plain)
        table.add_row(*[Text(cell) for cell in (*cells, row.standing)])
    if table.row_count:
        table.caption = "plain methods: bias / SD / worst; *: too few femora to judge; !: broken"
    return table
