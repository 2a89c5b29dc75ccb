"""``canalmorph agree``: how far two results of the same femora agree."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalmorph.report.parts import DRAWING_PARTS
from canalmorph_cli.exits import ExitStatus, turn_errors_into_status
from canalmorph_cli.parts import check_parts, make_folder, refuse_wrong_words

if TYPE_CHECKING:
    from rich.table import Table

    from canalmorph.cohort.agree import CohortAgreement


@turn_errors_into_status
def agree(
    results_a: Annotated[Path, typer.Argument(metavar="RESULTS_A", help="Results folder.")],
    results_b: Annotated[
        Path, typer.Argument(metavar="RESULTS_B", help="Another one, of the same femora.")
    ],
    pairs: Annotated[
        Path | None,
        typer.Option(
            "--pairs",
            metavar="CSV",
            help="Which case is which: case_id_a, case_id_b. For scan and rescan.",
        ),
    ] = None,
    where: Annotated[
        str,
        typer.Option("--where", metavar="CONDITION", help="Femora of A, as in export."),
    ] = "",
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for the page and the tables.")
    ] = Path("canalmorph-agree"),
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """Say how far two results of the same femora agree.

    For readers, reconstructions, versions, or scan and rescan: bias and limits of agreement,
    repeatability, coefficient of variation, intraclass correlation,
    kappa for the classes; a page with pictures, and tables.
    """
    needed = ("pandas", "pyarrow", "statsmodels", *DRAWING_PARTS)
    check_parts("agree", needed, "canalmorph[statistics]")
    from canalmorph.cohort.agree import compare_cohorts
    from canalmorph.cohort.agree_page import write_agree_page
    from canalmorph.cohort.agree_tables import write_agreement_tables
    from canalmorph_cli.console import make_console, write_line

    with refuse_wrong_words():
        agreement = compare_cohorts(results_a, results_b, where=where, pairs=pairs)
    make_folder(out)
    tables = write_agreement_tables(agreement, out)
    page = write_agree_page(agreement, out)
    console = make_console()
    console.print(tabulate_agreement(agreement))
    write_line(console, f"{agreement.n} femora in both.")
    for remark in agreement.remarks:
        write_line(console, remark)
    write_line(console, f"Page: {page}")
    write_line(console, f"Tables: {', '.join(str(table) for table in tables)}")
    return ExitStatus.DONE


def tabulate_agreement(agreement: "CohortAgreement") -> "Table":
    """Return the main numbers as a table, one row each."""
    from rich.text import Text

    from canalmorph.cohort.agree_page import DRAWN_NUMBERS, list_lines
    from canalmorph_cli.console import start_table

    table = start_table(caption="femora: known in both (in A alone, in B alone)")
    table.add_column("column", no_wrap=True)
    for name in ("femora", "bias B - A", "lower limit", "upper limit", "ICC(2,1)"):
        table.add_column(name, justify="right", no_wrap=True)
    for line in list_lines(agreement):
        if line.column in DRAWN_NUMBERS:
            n, bias, low, high, _, _, icc, *_ = line.cells
            table.add_row(*(Text(text) for text in (line.column, n, bias, low, high, icc)))
    return table
