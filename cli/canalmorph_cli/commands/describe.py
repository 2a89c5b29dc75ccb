"""``canalmorph describe``: a cohort as statistics, a page with pictures, and tables."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalmorph.report.parts import DRAWING_PARTS
from canalmorph_cli.exits import ExitStatus, turn_errors_into_status
from canalmorph_cli.parts import check_parts, make_folder, refuse_wrong_words

if TYPE_CHECKING:
    from rich.table import Table

    from canalmorph.cohort.describe import CohortSummary

#: What stands on the screen; the page and statistics.csv have every number.
SHOWN_COLUMNS = (
    *("cfi_ml", "cfi_ap", "mcfi_ml", "dcfi_ml", "cti_ml_lt_minus100", "isthmus_canal_ml_mm"),
    *("isthmus_level_mm", "canal_ml_lt_plus20_mm", "head_diameter_mm", "neck_shaft_angle_deg"),
    *("femoral_offset_mm", "torsion_deg"),
)


@turn_errors_into_status
def describe(
    results: Annotated[
        Path, typer.Argument(metavar="RESULTS", help="Results folder of `measure`.")
    ],
    by: Annotated[
        str,
        typer.Option(
            "--by", metavar="COLUMN", help="Groups: side, canal_shape, a column of the facts ..."
        ),
    ] = "",
    facts: Annotated[
        Path | None,
        typer.Option(
            "--facts",
            metavar="CSV",
            help="Your own table with case_id and, for example, age and sex; one row a case.",
        ),
    ] = None,
    where: Annotated[
        str,
        typer.Option("--where", metavar="CONDITION", help="Femora, as in export: side = right"),
    ] = "",
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for the page and the tables.")
    ] = Path("canalmorph-describe"),
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """Describe a cohort: statistics, classes, what is missing.

    Statistics and shares of the classes, by group; what is missing, and why. Writes a page with
    pictures and the same as tables.
    """
    check_parts("describe", ("pandas", "pyarrow", *DRAWING_PARTS), "canalmorph[statistics]")
    from canalmorph.cohort.describe import describe_cohort
    from canalmorph.cohort.describe_page import write_describe_page
    from canalmorph.cohort.facts import read_facts
    from canalmorph.cohort.summary_tables import write_summary_tables
    from canalmorph_cli.console import make_console, write_line

    with refuse_wrong_words():
        read = None if facts is None else read_facts(facts)
        summary = describe_cohort(results, by=by, where=where, facts=read)
    make_folder(out)
    tables = write_summary_tables(summary, out)
    page = write_describe_page(summary, out)
    console = make_console()
    console.print(tabulate_summary(summary))
    for remark in summary.remarks:
        write_line(console, remark)
    write_line(console, f"Page: {page}")
    write_line(console, f"Tables: {', '.join(str(table) for table in tables)}")
    return ExitStatus.DONE


def tabulate_summary(summary: "CohortSummary") -> "Table":
    """Return the main numbers as a table, one row a number and group."""
    from rich.text import Text

    from canalmorph.cohort.describe_page import list_lines
    from canalmorph_cli.console import start_table

    table = start_table()
    table.add_column("column", no_wrap=True)
    table.add_column("group")
    for name in ("femora / missing", "mean ± SD", "median (quartiles)", "range", "uncertainty"):
        table.add_column(name, justify="right", no_wrap=True)
    for line in list_lines(summary):
        if line.column in SHOWN_COLUMNS:
            table.add_row(*(Text(text) for text in (line.column, line.group, *line.cells)))
    return table
