"""The tables of two compared results folders: a row a number, and a row a pair of classes."""

from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

from canalmorph.cohort.agree import CohortAgreement
from canalmorph.cohort.agreement import Estimate, NumberAgreement
from canalmorph.cohort.summary_tables import Cells, format_lines
from canalmorph.export.files import write_atomically

#: Fields that are estimates, and have the ends of their interval beside them.
_ESTIMATES = (
    *("bias", "limit_low", "limit_high", "icc_agreement", "icc_consistency", "trend"),
    *("kappa", "kappa_weighted"),
)


def write_agreement_tables(agreement: CohortAgreement, folder: Path) -> list[Path]:
    """Write ``agreement.csv``, ``kappa.csv`` and ``class_pairs.csv``.

    Parameters
    ----------
    agreement : CohortAgreement
        What to write.
    folder : Path
        Must exist.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    tables = {
        "agreement.csv": _list_numbers(agreement),
        "kappa.csv": _list_kappas(agreement),
        "class_pairs.csv": _list_pairs(agreement),
    }
    for name, rows in tables.items():
        write_atomically(folder / name, format_lines(rows))
    return [folder / name for name in tables]


def _spread(name: str) -> tuple[str, ...]:
    return (name, f"{name}_95_low", f"{name}_95_high") if name in _ESTIMATES else (name,)


def _open(value: object, name: str) -> Cells:
    if name not in _ESTIMATES:
        return (value,)
    if isinstance(value, Estimate):
        return (value.value, value.low, value.high)
    return (None, None, None)


def _list_numbers(agreement: CohortAgreement) -> Iterator[Cells]:
    names = [field.name for field in fields(NumberAgreement)]
    yield ("column", "unit", *(part for name in names for part in _spread(name)), "worst_femur")
    for column in agreement.columns:
        found = agreement.numbers[column.name]
        cells = [cell for name in names for cell in _open(getattr(found, name), name)]
        yield (column.name, column.unit, *cells, agreement.worst_cases[column.name])


def _list_kappas(agreement: CohortAgreement) -> Iterator[Cells]:
    names = ("n", "n_blank", "share_equal", "kappa", "kappa_weighted")
    yield ("column", *(part for name in names for part in _spread(name)))
    for column, found in agreement.classes.items():
        cells = [cell for name in names for cell in _open(getattr(found, name), name)]
        yield (column, *cells)


def _list_pairs(agreement: CohortAgreement) -> Iterator[Cells]:
    yield ("column", "class_a", "class_b", "n")
    for column, found in agreement.classes.items():
        for row, name_a in enumerate(found.names):
            for place, name_b in enumerate(found.names):
                yield (column, name_a, name_b, int(found.table[row, place]))
