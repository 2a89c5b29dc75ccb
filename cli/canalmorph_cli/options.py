"""Options that several commands have."""

from pathlib import Path
from typing import Annotated

import typer

FactsOption = Annotated[
    Path | None,
    typer.Option(
        "--facts",
        metavar="CSV",
        help="The clinic's table: fracture, osteoporosis, previous_implant (yes, no, blank) "
        "by case_id, accession or series.",
    ),
]
