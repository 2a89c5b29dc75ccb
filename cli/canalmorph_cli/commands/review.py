"""``canalmorph review``: the local page on which a person sees, corrects and signs cases."""

from pathlib import Path
from typing import Annotated

import typer

from canalmorph.report.parts import DRAWING_PARTS
from canalmorph_cli.exits import ExitStatus, turn_errors_into_status
from canalmorph_cli.parts import check_parts, refuse_wrong_words


@turn_errors_into_status
def review(
    results: Annotated[
        Path, typer.Argument(metavar="RESULTS", help="Results folder of `measure`.")
    ],
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address only, and open no browser.")
    ] = False,
    port: Annotated[
        int,
        typer.Option(
            "--port",
            metavar="PORT",
            min=0,
            max=65535,
            help="Where to serve; any free one by default.",
        ),
    ] = 0,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """Open a page to see, correct, and sign or reject each case.

    The address is good for one use, on this machine only. Nothing that was measured is
    overwritten. Stop it with Ctrl+C.
    """
    check_parts("review", (*DRAWING_PARTS, "starlette", "uvicorn"), "canalmorph[report,review]")
    from canalmorph.review.server import serve_review
    from canalmorph_cli.console import make_console, write_line

    console = make_console()

    def tell(address: str) -> None:
        write_line(console, f"The review page: {address}")
        write_line(console, "The address is good for one use. Stop with Ctrl+C.")

    with refuse_wrong_words():
        serve_review(results, port=port, open_browser=not no_browser, tell=tell)
    return ExitStatus.DONE
