"""``canalmorph fill``: how much of each measured canal a round body of a given diameter fills."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalmorph_cli.exits import ExitStatus, WrongUsageError, turn_errors_into_status

if TYPE_CHECKING:
    from canalmorph.indices.fill import CanalFill


@turn_errors_into_status
def fill(
    results: Annotated[
        Path, typer.Argument(metavar="RESULTS", help="Results folder of `measure`.")
    ],
    diameter: Annotated[
        float, typer.Option("--diameter", metavar="MM", help="Of the round body. [mm]")
    ],
    level: Annotated[
        float,
        typer.Option(
            "--level", metavar="MM", help="Height above the lesser trochanter, such as -100. [mm]"
        ),
    ],
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """Say how much of the canal a straight round body fills at a level.

    Diameter over the canal's ML and AP width, area over area, and how much room the largest circle
    in the canal leaves. General geometry, no implant's shape. Reads the measured cases as they were
    set right by hand; one that was rejected is left out.
    """
    from canalmorph.batch.digest import RECORD_NAME
    from canalmorph.batch.reviews import read_reviews
    from canalmorph.batch.shown import find_corrected
    from canalmorph.errors import CanalMorphError
    from canalmorph.indices.fill import compute_canal_fill
    from canalmorph.model.corrections import Review, ReviewState
    from canalmorph_cli.console import make_console, write_line

    if not diameter > 0:
        raise WrongUsageError(f"--diameter must be above 0 mm, got {diameter:g}.")
    if not results.is_dir():
        raise WrongUsageError("RESULTS must be a folder that `canalmorph measure` made.")
    console = make_console()
    reviews = read_reviews(results)
    n_known = n_unread = 0
    for path in sorted(results.glob(f"cases/[!.]*/{RECORD_NAME}")):
        name = path.parent.name
        review = reviews.get(name, Review(case_id=name))
        if review.state is ReviewState.REJECTED:
            write_line(console, f"{name}  rejected by hand")
            continue
        try:
            corrected = find_corrected(path.parent, review)
        except CanalMorphError as error:
            n_unread += 1
            write_line(console, f"{name}  {error}")
            continue
        if corrected.unfit:
            write_line(console, f"{name}  marks that cannot be set: {len(corrected.unfit)}")
        for femur in corrected.case.femora:
            found = compute_canal_fill(femur.profile, diameter_mm=diameter, level_mm=level)
            n_known += found.ml.known
            write_line(console, f"{name}  {femur.side.value:<5}  {describe_fill(found)}")
    if not n_known:
        write_line(console, f"No canal was measured at {level:+.0f} mm.")
        return ExitStatus.NOTHING_MEASURED
    return ExitStatus.DONE_WITH_REFUSALS if n_unread else ExitStatus.DONE


def describe_fill(found: "CanalFill") -> str:
    """Return one femur's fill in words, or that its canal is not known there."""
    parts = []
    for name, share in (("ML", found.ml), ("AP", found.ap), ("area", found.area)):
        if share.value is not None and share.u is not None:
            parts.append(f"{name} {100 * share.value:.1f} ± {100 * share.u:.1f} %")
    room = found.room
    if room.value is not None and room.u is not None:
        verdict = "fits" if room.value >= 0 else "does not fit without removing bone"
        parts.append(f"room {room.value:+.2f} ± {room.u:.2f} mm ({verdict})")
    return ", ".join(parts) or "not known at this level"
