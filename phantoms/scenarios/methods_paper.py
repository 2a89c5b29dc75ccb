"""A worked example: from invented people to the tables and plots of a short methods paper.

``python phantoms/scenarios/methods_paper.py DIR [--people N]`` scans 60 invented femora of three
canal shapes at two centres with two kernels, measures them, scans twelve of them again with the
other kernel, and writes DIR/paper. It takes some half an hour; stopped at any moment, it goes on
there.
"""

import argparse
import csv
import json
import shutil
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import numpy as np
import pandas as pd

import canalmorph
from canalmorph.batch.outcomes import MeasureScan
from canalmorph.batch.run import measure_inputs
from canalmorph.cohort.agree import CohortAgreement
from canalmorph.cohort.agree_page import draw_differences
from canalmorph.cohort.agree_tables import write_agreement_tables
from canalmorph.cohort.describe import CohortSummary
from canalmorph.cohort.figures import draw_distributions, draw_profiles
from canalmorph.cohort.methods import write_methods
from canalmorph.cohort.summary_tables import write_summary_tables
from canalmorph.notebook import Results, open_results
from canalmorph.pipeline import Settings, measure_scan
from canalmorph_cli.acceptance.truths import list_known_femora
from canalmorph_phantoms.build import build_scan
from canalmorph_phantoms.populations import KERNELS, Person, draw_shapes_cohort, image_person
from canalmorph_phantoms.write import write_dicom

#: What the paper is about, by the names of ``femurs.csv``.
MEASURES = (
    *("cfi_ml", "cfi_ap", "mcfi_ml", "dcfi_ml", "cti_ml_lt_minus100"),
    *("isthmus_canal_ml_mm", "canal_ml_lt_plus20_mm", "canal_ml_lt_mm", "canal_ml_lt_minus20_mm"),
)
#: So many of those drawn by the first kernel are drawn by the second, too: two of each kind.
N_AGAIN = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """The folders of the study.

    Attributes
    ----------
    folder : Path
        Holds all of it.
    """

    folder: Path

    @property
    def paper(self) -> Path:
        """Where tables and plots go."""
        return self.folder / "paper"

    def name_scans(self, part: str) -> Path:
        """Return the folder of the scans of ``first`` or ``again``."""
        return self.folder / f"scans_{part}"

    def name_truth(self, part: str, person: str) -> Path:
        """Return the file of what is true of a person's scan."""
        return self.folder / f"truth_{part}" / f"{person}.json"

    def name_results(self, part: str) -> Path:
        """Return the folder of their results."""
        return self.folder / f"results_{part}"


def run_study(folder: Path, n_people: int = 60, *, measure: MeasureScan = measure_scan) -> Path:
    """Make what is missing of the study, and return the folder of the paper.

    Parameters
    ----------
    folder : Path
        For scans, results and paper.
    n_people : int
        All kinds are equally frequent where it is a multiple of 12.
    measure : callable
        The pipeline's way from a volume to its measures.
    """
    study, people = Study(folder=folder), list(draw_shapes_cohort(n_people))
    soft, bone = KERNELS
    again = [person for person in people if person.kernel == soft][:N_AGAIN]
    cases = {}
    for part, chosen, kernel in (("first", people, ""), ("again", again, bone)):
        for number, person in enumerate(chosen, start=1):
            print(f"{part}: scan {number} of {len(chosen)}", flush=True)
            make_scan(study, part, person, kernel)
        print(f"{part}: measuring", flush=True)
        cases[part] = measure_part(study, part, measure)
    study.paper.mkdir(exist_ok=True)
    facts = write_facts(study.paper / "facts.csv", people, cases["first"])
    pairs = write_pairs(study.paper / "pairs.csv", again, cases)
    write_paper(study, facts, pairs)
    return study.paper


def make_scan(study: Study, part: str, person: Person, kernel: str) -> None:
    """Write a person's scan and its truth where they are missing; whole, or not at all."""
    final, unfinished = study.name_scans(part) / person.name, study.folder / "unfinished"
    if final.exists():
        return
    shutil.rmtree(unfinished, ignore_errors=True)
    result = build_scan(image_person(person, kernel))
    write_dicom(
        result,
        unfinished,
        patient_name=f"Person^{person.name}",
        patient_sex=person.sex,
        patient_age_years=person.age_years,
    )
    (known,) = list_known_femora(result.truth)
    truth = {name: known.values[name] for name in MEASURES if name in known.values}
    beside = study.name_truth(part, person.name)
    for folder in (beside.parent, final.parent):
        folder.mkdir(parents=True, exist_ok=True)
    beside.write_text(json.dumps(truth), "utf-8")
    unfinished.rename(final)


def measure_part(study: Study, part: str, measure: MeasureScan) -> dict[str, str]:
    """Measure scans that were not measured, and return the case of each person."""
    scans = study.name_scans(part)
    done = measure_inputs([scans], study.name_results(part), Settings(), measure=measure)
    names = {folder.name for folder in scans.iterdir()}
    return {
        name: outcome.case_id
        for outcome in done.outcomes
        if outcome.femora
        for name in names.intersection(PurePosixPath(outcome.source).parts)
    }


def write_facts(path: Path, people: Iterable[Person], cases: Mapping[str, str]) -> Path:
    """Write what is known of the people beside their scans, by the names of their cases."""
    rows = [
        (cases[each.name], each.name, each.group, each.centre, each.age_years, each.sex)
        for each in people
        if each.name in cases
    ]
    return write_rows(path, ("case_id", "person", "built_as", "centre", "age", "sex"), rows)


def write_pairs(path: Path, again: Iterable[Person], cases: Mapping[str, dict[str, str]]) -> Path:
    """Write which case is which in both results."""
    first, second = cases["first"], cases["again"]
    names = [each.name for each in again if each.name in first and each.name in second]
    rows = [(first[name], second[name]) for name in names]
    return write_rows(path, ("case_id_a", "case_id_b"), rows)


def write_rows(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> Path:
    """Write a CSV."""
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows([header, *rows])
    return path


def write_paper(study: Study, facts: Path, pairs: Path) -> None:
    """Write tables, plots and the methods section."""
    first, again = (open_results(study.name_results(part)) for part in ("first", "again"))
    summary = first.describe(by="built_as", facts=facts)
    agreement = first.agree(again, pairs=pairs)
    femora = first.femurs.merge(pd.read_csv(facts), on="case_id", validate="many_to_one")
    errors = list_errors(study, femora)
    for name, frame in {
        "table_1_people": count_people(femora),
        "table_2_measures": tabulate_measures(summary),
        "table_3_errors": tabulate_errors(errors),
        "table_4_kernels": tabulate_agreement(agreement),
    }.items():
        frame.to_csv(study.paper / f"{name}.csv", index=False, float_format="%.5g")
    cohort, kernels = study.paper / "cohort", study.paper / "kernels"
    for folder in (cohort, kernels):
        folder.mkdir(exist_ok=True)
    write_summary_tables(summary, cohort)
    write_agreement_tables(agreement, kernels)
    for name, svg in {
        "figure_1_indices": draw_distributions(summary),
        "figure_2_profiles": draw_profiles(summary),
        "figure_3_kernels": draw_differences(agreement),
    }.items():
        (study.paper / f"{name}.svg").write_text(svg, "utf-8")
    write_words(study, first, femora, errors, agreement)


def count_people(femora: pd.DataFrame) -> pd.DataFrame:
    """Return how many femora of each kind there are, of whom."""
    kinds = femora.groupby(["built_as", "centre", "kernel"], sort=True)
    return kinds.agg(
        femora=("case_id", "size"),
        women=("sex", lambda sex: int((sex == "F").sum())),
        age_mean=("age", "mean"),
        age_sd=("age", "std"),
    ).reset_index()


def tabulate_measures(summary: CohortSummary) -> pd.DataFrame:
    """Return mean, spread and missing numbers of each measure by shape."""
    units = {column.name: column.unit for column in summary.columns}
    return pd.DataFrame(
        {
            "measure": name,
            "unit": units[name],
            "built_as": group.name,
            "n": found.n,
            "missing": found.n_missing,
            "mean": found.mean,
            "sd": found.sd,
            "median": found.median,
            "uncertainty": found.u_rms,
        }
        for name in MEASURES
        for group in summary.groups
        for found in [group.numbers[name]]
    )


def list_errors(study: Study, femora: pd.DataFrame) -> pd.DataFrame:
    """Return measured less true of every measure of every femur, a row each."""
    rows = []
    for _, row in femora.iterrows():
        truth = json.loads(study.name_truth("first", row["person"]).read_text("utf-8"))
        for name in MEASURES:
            if name in truth and np.isfinite(row[name]):
                kinds = {"centre": row["centre"], "kernel": row["kernel"], "measure": name}
                error = row[name] - truth[name]
                rows.append({**kinds, "error": error, "z": error / row[f"{name}_u"]})
    return pd.DataFrame(rows, columns=["centre", "kernel", "measure", "error", "z"])


def tabulate_errors(errors: pd.DataFrame) -> pd.DataFrame:
    """Return bias and spread against the truth, and how often the uncertainty holds it."""
    kinds = errors.groupby(["measure", "centre", "kernel"], sort=True)
    return kinds.agg(
        n=("error", "size"),
        bias=("error", "mean"),
        sd=("error", "std"),
        worst=("error", lambda error: float(error.abs().max())),
        within_2u=("z", lambda z: float((z.abs() <= 2.0).mean())),
    ).reset_index()


def tabulate_agreement(agreement: CohortAgreement) -> pd.DataFrame:
    """Return how far the second kernel agrees with the first."""
    rows = []
    for name in MEASURES:
        found = agreement.numbers[name]
        row: dict[str, object] = {"measure": name, "n": found.n, "sd": found.sd}
        for part in ("bias", "limit_low", "limit_high", "icc_agreement"):
            estimate = getattr(found, part)
            for end in ("value", "low", "high"):
                row[f"{part}_{end}"] = None if estimate is None else getattr(estimate, end)
        rows.append({**row, "repeatability": found.repeatability, "cv_percent": found.cv_percent})
    return pd.DataFrame(rows)


def write_words(
    study: Study,
    first: Results,
    femora: pd.DataFrame,
    errors: pd.DataFrame,
    agreement: CohortAgreement,
) -> None:
    """Write the methods section, its references, and the results in a few sentences."""
    stated = write_methods(first.folder, version=canalmorph.__version__, columns=MEASURES)
    (study.paper / "methods.txt").write_text(stated.text, "utf-8")
    (study.paper / "methods.bib").write_text(stated.bibtex, "utf-8")
    right = (femora["canal_shape"] == femora["built_as"]).sum()
    flare = errors[errors["measure"] == "cfi_ml"]["error"]
    kernels = agreement.numbers["cfi_ml"]
    bias = "unknown" if kernels.bias is None else f"{kernels.bias.value:+.4f}"
    held = (errors["z"].abs() <= 2.0).mean()
    text = f"""# Canal shape across centres and kernels: an invented cohort

All people are invented and all femora are digital; the true measures are known.

- {len(femora)} femora were measured, {len(first.refusals)} inputs or sides were not.
- {right} have the class of canal shape that they were built as (table 2, figure 1).
- The flare index is off by {flare.mean():+.4f} on average, SD {flare.std():.4f} (table 3).
- Drawn by the other kernel it differs by {bias} in {kernels.n} femora (table 4, figure 3).
- {held:.1%} of {len(errors)} numbers are within two stated uncertainties of the truth.

Methods and references: methods.txt, methods.bib. Every statistic: cohort, kernels.
"""
    (study.paper / "paper.md").write_text(text, "utf-8")


def main() -> None:
    """Read the words of the command line and run the study."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, metavar="DIR")
    parser.add_argument("--people", type=int, default=60)
    words = parser.parse_args()
    print(run_study(words.folder, words.people))


if __name__ == "__main__":
    main()
