"""``canalmorph methods``: what the methods section of a paper must state of a results folder."""

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

from canalmorph_cli.exits import ExitStatus, turn_errors_into_status
from canalmorph_cli.parts import check_parts, make_folder, refuse_wrong_words

TEXT_NAME, BIBTEX_NAME = "methods.txt", "methods.bib"


@turn_errors_into_status
def methods(
    results: Annotated[
        Path, typer.Argument(metavar="RESULTS", help="Results folder of `measure`.")
    ],
    columns: Annotated[
        str,
        typer.Option("--columns", metavar="NAMES", help="Numbers that you use, by commas."),
    ] = "",
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for methods.txt and methods.bib.")
    ] = Path("canalmorph-methods"),
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """Write what a methods section must state, with references.

    What was measured with which version and settings, definitions of the numbers, how exact they
    are, and a BibTeX file. Read it and make it yours.
    """
    check_parts("methods", ("pandas", "pyarrow"), "canalmorph[export]")
    import canalmorph
    from canalmorph.cohort.methods import write_methods
    from canalmorph.export.files import write_atomically
    from canalmorph_cli.console import make_console, write_line

    names = [name.strip() for name in columns.split(",") if name.strip()]
    with refuse_wrong_words():
        stated = write_methods(
            results,
            version=canalmorph.__version__,
            columns=names,
            accuracy=list(describe_promises()),
        )
    make_folder(out)
    console = make_console()
    write_line(console, stated.text)
    for name, text in ((TEXT_NAME, stated.text), (BIBTEX_NAME, stated.bibtex)):
        write_atomically(out / name, text.encode("utf-8"))
        write_line(console, str(out / name))
    return ExitStatus.DONE


def describe_promises() -> Iterator[str]:
    """Yield one sentence a promise: the bounds that `verify` checks."""
    from canalmorph_cli.acceptance.promises import NOISE_UP_TO_HU, PROMISES, SLICE_UP_TO_MM

    yield (
        f"Bounds that `canalmorph verify` checks on digital femora whose measures are known "
        f"(slices up to {SLICE_UP_TO_MM:g} mm, noise up to {NOISE_UP_TO_HU:g} HU, a kernel "
        "without edge enhancement), absolute values:"
    )
    for promise in PROMISES:
        bounds = [
            f"{name} {bound:g}"
            for name, bound in (
                ("bias", promise.bias),
                ("SD", promise.sd),
                ("worst case", promise.worst),
            )
            if bound
        ]
        if bounds:
            unit = "" if promise.unit == "1" else f" [{promise.unit}]"
            yield f"{promise.words}{unit}: {', '.join(bounds)}."
