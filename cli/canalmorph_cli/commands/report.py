"""``canalmorph report``: the pages of measured cases, drawn again."""

from pathlib import Path
from typing import Annotated

import typer

from canalmorph.report.parts import DRAWING_EXTRA, DRAWING_PARTS
from canalmorph_cli.exits import ExitStatus, turn_errors_into_status
from canalmorph_cli.options import FactsOption
from canalmorph_cli.parts import check_parts, refuse_wrong_words


@turn_errors_into_status
def report(
    results: Annotated[
        Path, typer.Argument(metavar="RESULTS", help="Results folder of `measure`.")
    ],
    cases: Annotated[
        list[str] | None, typer.Argument(metavar="CASE", help="Their names; all without.")
    ] = None,
    facts: FactsOption = None,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """Draw the pages of measured cases again, without measuring.

    Draws report.html and report.pdf after an update of the program, or with facts of the clinic
    that came later.
    """
    check_parts("report", DRAWING_PARTS, DRAWING_EXTRA)
    from canalmorph.batch.clinic import read_clinic_table
    from canalmorph.batch.redraw import redraw_cases
    from canalmorph_cli.console import make_console, write_line

    console = make_console()
    n_drawn = n_failed = 0
    with refuse_wrong_words():
        table = None if facts is None else read_clinic_table(facts)
        for one in redraw_cases(results, cases or (), table=table):
            n_drawn, n_failed = n_drawn + (one.error is None), n_failed + (one.error is not None)
            words = "drawn" if one.error is None else f"not drawn: {one.error}"
            write_line(console, f"{one.case_id}  {words}")
    if not n_drawn:
        write_line(console, "Nothing could be drawn.")
        return ExitStatus.NOTHING_MEASURED
    return ExitStatus.DONE_WITH_REFUSALS if n_failed else ExitStatus.DONE
