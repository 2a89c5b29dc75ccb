"""The commands, gathered under one name."""

import os
from collections.abc import Callable, Mapping, Sequence
from typing import Annotated

import typer

import canalmorph
from canalmorph_cli.commands.agree import agree
from canalmorph_cli.commands.demo import demo
from canalmorph_cli.commands.describe import describe
from canalmorph_cli.commands.export import export
from canalmorph_cli.commands.fetch import fetch
from canalmorph_cli.commands.fill import fill
from canalmorph_cli.commands.measure import measure
from canalmorph_cli.commands.methods import methods
from canalmorph_cli.commands.phantom import phantom
from canalmorph_cli.commands.receive import receive
from canalmorph_cli.commands.report import report
from canalmorph_cli.commands.review import review
from canalmorph_cli.commands.send import send
from canalmorph_cli.commands.survey import survey
from canalmorph_cli.commands.verify import verify
from canalmorph_cli.exits import ExitStatus

app = typer.Typer(
    name="canalmorph",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    epilog="Exit status: 0 done, 1 bug or broken promise of verify, 2 wrong usage, "
    "3 nothing could be measured, 4 finished with refusals.",
)
#: Each command with an example of its use.
COMMANDS: Mapping[Callable[..., None], str] = {
    measure: "measure SCANS --out RESULTS",
    survey: "survey SCANS",
    report: "report RESULTS --facts facts.csv",
    review: "review RESULTS",
    receive: "receive node.toml --check",
    fetch: "fetch node.toml --from pacs --accession A123",
    send: "send node.toml",
    export: 'export RESULTS --what femurs --format xlsx --out TABLES --where "cfi_ml < 3"',
    describe: "describe RESULTS --by canal_shape --out COHORT",
    agree: "agree RESULTS_A RESULTS_B --out AGREEMENT",
    methods: "methods RESULTS --columns cfi_ml,cti_ml_lt_minus100 --out METHODS",
    fill: "fill RESULTS --diameter 12 --level=-100",
    phantom: "phantom normal_pair --out SCANS",
    verify: "verify --quick --out VERIFIED",
    demo: "demo --out DIR",
}
for command, example in COMMANDS.items():
    app.command(epilog=f"Example: canalmorph {example}")(command)


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"canalmorph {canalmorph.__version__}")
        print("Femoral canal morphology from CT. A measuring and teaching aid, no medical device.")
        raise typer.Exit(int(ExitStatus.DONE))


@app.callback()
def describe_program(
    version: Annotated[
        bool,
        typer.Option(
            "--version",
            help="Print the version and what this is, and end.",
            is_eager=True,
            callback=_print_version,
        ),
    ] = False,
) -> None:
    """Measure the shape of the femoral canal from CT.

    A measuring and teaching aid: not a medical device, and no replacement for a radiologist's
    report or a surgeon's plan.
    """


def run_command(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    # Read by numpy, and by the workers', as it is imported: see "Small pages" in DEVELOPERS.md.
    os.environ.setdefault("NUMPY_MADVISE_HUGEPAGE", "0")
    try:
        app(args=None if argv is None else list(argv), prog_name="canalmorph")
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else int(ExitStatus.BUG)
    return int(ExitStatus.DONE)
