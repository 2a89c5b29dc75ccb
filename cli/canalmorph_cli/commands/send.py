"""``canalmorph send``: results of folders and zips, on their way to the archives."""

from pathlib import Path
from typing import Annotated

import typer

from canalmorph_cli.commands.receive import NETWORK_EXTRA, NETWORK_PARTS
from canalmorph_cli.exits import ExitStatus, turn_errors_into_status
from canalmorph_cli.parts import check_parts, refuse_wrong_words


@turn_errors_into_status
def send(
    configuration: Annotated[
        Path, typer.Argument(metavar="CONFIGURATION", help="TOML file of the site's node.")
    ],
    cases: Annotated[
        list[str] | None, typer.Argument(metavar="CASE", help="Their names; all without.")
    ] = None,
    rejected: Annotated[
        bool, typer.Option("--rejected", help="With the cases that were rejected on review, too.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """Have the node send results of scans that it did not receive.

    For scans that were measured from a folder or a zip, with --dicom, into the node's results. The
    running node sends them within a minute, another one after its next start.
    """
    check_parts("send", NETWORK_PARTS, NETWORK_EXTRA)
    from canalmorph.model.counting import count_noun
    from canalmorph.network.configuration import read_configuration
    from canalmorph.network.owing import owe_cases
    from canalmorph_cli.console import make_console, write_line

    with refuse_wrong_words():
        owed = owe_cases(read_configuration(configuration), cases or (), with_rejected=rejected)
    console = make_console()
    n_owed, n_without = len(owed.with_objects), len(owed.without_objects)
    if n_owed:
        line = f"The node sends the objects of {count_noun(n_owed, 'case')} to the archives."
        write_line(console, f"{line} `receive --health` tells what still waits.")
    if n_without:
        line = f"{count_noun(n_without, 'case')} without DICOM objects, not sent; measure with"
        write_line(console, f"{line} --dicom: {', '.join(owed.without_objects)}")
    if owed.rejected:
        line = f"{count_noun(len(owed.rejected), 'case')} rejected on review, not sent without"
        write_line(console, f"{line} --rejected: {', '.join(owed.rejected)}")
    if not n_owed:
        write_line(console, "Nothing is to be sent.")
        return ExitStatus.NOTHING_MEASURED
    return ExitStatus.DONE_WITH_REFUSALS if n_without else ExitStatus.DONE
