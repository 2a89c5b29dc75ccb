"""``canalmorph export``: a table of the results, chosen and explained, for other programs."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalmorph.cohort.formats import TableFormat
from canalmorph_cli.exits import ExitStatus, turn_errors_into_status
from canalmorph_cli.parts import check_parts, make_folder, refuse_wrong_words

if TYPE_CHECKING:
    from canalmorph.cohort.writing import CsvDialect


@turn_errors_into_status
def export(
    results: Annotated[
        Path, typer.Argument(metavar="RESULTS", help="Results folder of `measure`.")
    ],
    what: Annotated[
        str,
        typer.Option(
            "--what",
            metavar="TABLE",
            help="femurs, sections, landmarks, sides, blanks, refusals, corrections or, if "
            "measured, axial.",
        ),
    ] = "femurs",
    form: Annotated[TableFormat, typer.Option("--format", help="Of the file.")] = TableFormat.CSV,
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for the table and its codebook.")
    ] = Path("canalmorph-export"),
    columns: Annotated[
        str, typer.Option("--columns", metavar="NAMES", help="Columns, separated by commas.")
    ] = "",
    where: Annotated[
        str,
        typer.Option(
            "--where",
            metavar="CONDITION",
            help="Rows, such as: side = left and cfi_ml < 3 and not warnings has metal",
        ),
    ] = "",
    separator: Annotated[
        str,
        typer.Option("--separator", help="Of a CSV: , ; | or tab. With --decimal , it is ;"),
    ] = "",
    decimal: Annotated[str, typer.Option("--decimal", help="Of a CSV: . or ,")] = ".",
    bom: Annotated[
        bool, typer.Option("--bom", help="Begin a CSV with the mark of UTF-8, for spreadsheets.")
    ] = False,
    rejected: Annotated[
        bool, typer.Option("--rejected", help="With the cases that were rejected on review, too.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """Write a table for statistics programs and spreadsheets.

    Numbers stay numbers, text stays text, a blank stays a blank. The codebook goes with it:
    columns.csv, a sheet, or the metadata of a Parquet file.
    """
    check_parts("export", ("pandas", "pyarrow", "openpyxl"), "canalmorph[export]")
    from canalmorph.cohort.selection import select_rows
    from canalmorph.cohort.writing import check_folder, write_selection
    from canalmorph_cli.console import make_console, write_line

    with refuse_wrong_words():
        dialect = _choose_dialect(separator, decimal, bom=bom)
        names = [name.strip() for name in columns.split(",") if name.strip()]
        selection = select_rows(results, what, columns=names, where=where, with_rejected=rejected)
        check_folder(selection, out)
    make_folder(out)
    written = write_selection(selection, out, form, dialect=dialect)
    console = make_console()
    several = f" on {written.n_sheets} sheets, as one holds 1,048,575 of them"
    sheets = several if written.n_sheets > 1 else ""
    write_line(console, f"{written.n_rows} rows{sheets}, {len(selection.columns)} columns.")
    for file in written.files:
        write_line(console, str(file))
    return ExitStatus.DONE


def _choose_dialect(separator: str, decimal: str, *, bom: bool) -> "CsvDialect":
    """Return how a CSV is written; a decimal comma takes the semicolon along."""
    from canalmorph.cohort.writing import CsvDialect

    usual = ";" if decimal == "," else ","
    chosen = "\t" if separator.lower() in ("tab", "\\t") else separator or usual
    return CsvDialect(separator=chosen, decimal=decimal, bom=bom)
