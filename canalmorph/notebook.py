"""The way in for notebooks: measure scans or open results, and have frames, statistics, pictures.

Everything here is the command line's own work under other names, so that both give the same.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from canalmorph.batch.run import measure_inputs
from canalmorph.cohort.selection import select_rows
from canalmorph.pipeline import Settings

if TYPE_CHECKING:
    import pandas as pd

    from canalmorph.cohort.agree import CohortAgreement
    from canalmorph.cohort.describe import CohortSummary

#: Where results go if no folder is named.
USUAL_FOLDER = Path("canalmorph-results")


@dataclass(frozen=True, slots=True)
class Drawing:
    """A picture that a notebook shows by itself.

    Attributes
    ----------
    svg : str
        An ``<svg>`` element; empty where there was nothing to draw.
    """

    svg: str

    def _repr_svg_(self) -> str:
        return self.svg


@dataclass(frozen=True, slots=True, kw_only=True)
class Results:
    """A results folder.

    Attributes
    ----------
    folder : Path
        As `canalmorph measure` writes it.
    """

    folder: Path

    @property
    def femurs(self) -> "pd.DataFrame":
        """One row a femur; a blank is missing."""
        return self.read_table("femurs")

    @property
    def sections(self) -> "pd.DataFrame":
        """One row a femur and level."""
        return self.read_table("sections")

    @property
    def refusals(self) -> "pd.DataFrame":
        """One row for everything that was not measured."""
        return self.read_table("refusals")

    def read_table(
        self, table: str, *, columns: Sequence[str] = (), where: str = ""
    ) -> "pd.DataFrame":
        """Return a table, or some of its columns and rows, as a typed frame.

        Parameters
        ----------
        table, columns, where
            As in `canalmorph.cohort.selection.select_rows`, whose errors are raised.
        """
        return select_rows(self.folder, table, columns=columns, where=where).read_frame()

    def describe(
        self, *, by: str = "", where: str = "", facts: Path | str | None = None
    ) -> "CohortSummary":
        """Return the statistics of the cohort.

        Parameters
        ----------
        by, where
            As in `canalmorph.cohort.describe.describe_cohort`, whose errors are raised.
        facts : path, optional
            Of a CSV, see `canalmorph.cohort.facts.read_facts`.
        """
        from canalmorph.cohort.describe import describe_cohort
        from canalmorph.cohort.facts import read_facts

        read = None if facts is None else read_facts(Path(facts))
        return describe_cohort(self.folder, by=by, where=where, facts=read)

    def agree(
        self, other: "Results", *, where: str = "", pairs: Path | str | None = None
    ) -> "CohortAgreement":
        """Return how far other results of the same femora agree with these.

        Parameters
        ----------
        other : Results
            A difference is `other` less these.
        where, pairs
            As in `canalmorph.cohort.agree.compare_cohorts`, whose errors are raised.
        """
        from canalmorph.cohort.agree import compare_cohorts

        named = None if pairs is None else Path(pairs)
        return compare_cohorts(self.folder, other.folder, where=where, pairs=named)

    def draw_distributions(self, *, by: str = "", where: str = "") -> Drawing:
        """Return the distribution of the indices, with the bounds of the classes."""
        from canalmorph.cohort.figures import draw_distributions

        return Drawing(draw_distributions(self.describe(by=by, where=where)))

    def draw_profiles(self, *, by: str = "", where: str = "") -> Drawing:
        """Return mean and spread of the widths along the shaft."""
        from canalmorph.cohort.figures import draw_profiles

        return Drawing(draw_profiles(self.describe(by=by, where=where)))


def measure_scans(
    paths: Path | str | Sequence[Path | str],
    *,
    out: Path | str = USUAL_FOLDER,
    settings: Settings | None = None,
) -> Results:
    """Measure the femora in CT scans, one scan after the other, and return the results.

    What an earlier call did with the same scans, settings and version is not done again.

    Parameters
    ----------
    paths : path, or sequence of paths
        Files, folders and zips.
    out : path
        Results folder: new, empty, or of an earlier call; outside the scans. Its pages show the
        patient, its tables do not.
    settings : Settings, optional
        Of all stages.

    Raises
    ------
    ResultsFolderError
        If the folder cannot take the results.

    Examples
    --------
    A scan that cannot be measured is no error, but a row that says why:

    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     results = measure_scans(f"{folder}/scans", out=f"{folder}/results")
    ...     print(results.refusals["reason_code"].tolist(), len(results.femurs))
    ['not-found'] 0
    """
    named = [paths] if isinstance(paths, Path | str) else paths
    done = measure_inputs([Path(path) for path in named], Path(out), settings or Settings())
    return open_results(done.folder)


def open_results(folder: Path | str) -> Results:
    """Return the results in a folder.

    Raises
    ------
    ResultsNoTablesError
        If it is no results folder.

    Examples
    --------
    >>> open_results("no such folder")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    canalmorph.results_errors.ResultsNoTablesError: no such folder holds no columns.csv, ...
    """
    from canalmorph.cohort.codebook import read_codebook

    read_codebook(Path(folder))
    return Results(folder=Path(folder))
