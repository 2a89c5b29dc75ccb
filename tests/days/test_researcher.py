"""A researcher's day: tables, groups, two kernels, methods, and the same bytes from the record."""

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from closed_day import SHAPES, SHARP_SHARE, Study

from canalmorph.batch.reviews import ReviewAction
from canalmorph.model.corrections import Correction, CorrectionKind
from canalmorph.review.desk import open_desk

PEOPLE = tuple(Study(name=f"{n:02d}", shape=shape) for n, shape in enumerate(SHAPES, start=1))
OTHER = tuple(Study(name=one.name, shape=one.shape, way="other", fault="sharp") for one in PEOPLE)
#: How far every lesser trochanter is set higher by hand. [mm]
UP_MM = 3.0
TABLES = ("femurs", "sections", "sides", "blanks", "refusals", "columns", "corrections")


def read_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def read_bias(folder: Path) -> dict[str, float]:
    rows = read_rows(folder / "agreement.csv")
    return {row["column"]: float(row["bias"]) for row in rows if row["bias"]}


def name_cases(results: Path) -> dict[str, str]:
    """Return the case of each canal's shape."""
    return {row["canal_shape"]: row["case_id"] for row in read_rows(results / "femurs.csv")}


def set_trochanters_higher(results: Path) -> None:
    with open_desk(results) as desk:
        for case in sorted(path.name for path in (results / "cases").iterdir()):
            (femur,) = desk.open_case(case).automatic_aligned
            apex = femur.lesser_trochanter.apex_lps_mm + UP_MM * femur.frame.proximal
            mark = Correction(
                kind=CorrectionKind.LESSER_TROCHANTER,
                side=femur.cortex.femur.side,
                points_lps_mm=(tuple(apex.tolist()),),
            )
            desk.change(case, ReviewAction.CORRECT, version=0, by="M. Okoro", mark=mark)
        desk.write_due()


@pytest.mark.parametrize(
    "kind",
    [
        pytest.param("known", id="in closed form"),
        pytest.param("measured", marks=pytest.mark.slow),
    ],
)
def test_a_day_from_the_tables_to_the_same_bytes(
    kind: str,
    make_day: Callable[..., Any],
    tmp_path: Path,
    without_reports: None,
) -> None:
    day = make_day(tmp_path, (*PEOPLE, *OTHER), kind)
    results, tables = tmp_path / "results", tmp_path / "tables"
    export, describe, kernels, methods, repeat, corrected = day.read_commands("researcher")
    for scans, out in (("SCANS", "RESULTS"), ("OTHER_SCANS", "OTHER_KERNEL")):
        assert day.do(f"python3 cli measure {scans} --out {out}").status == 0
    first, other = name_cases(results), name_cases(tmp_path / "other_kernel")
    assert first.keys() == other.keys() == {"normal", "stovepipe", "champagne_flute"}
    pairs = [f"{first[shape]},{other[shape]}\n" for shape in first]
    (tmp_path / "pairs.csv").write_text("case_id_a,case_id_b\n" + "".join(pairs))

    assert day.do(export).status == 0
    assert (tables / "femurs.csv").read_bytes() == (results / "femurs.csv").read_bytes()
    assert day.do(describe).status == 0
    means = {
        row["group"]: float(row["mean"])
        for row in read_rows(tables / "statistics.csv")
        if row["column"] == "cfi_ml"
    }
    rows = read_rows(results / "femurs.csv")
    assert means == {row["canal_shape"]: pytest.approx(float(row["cfi_ml"])) for row in rows}

    assert day.do(kernels).status == 0
    bias = read_bias(tmp_path / "kernels")["isthmus_canal_ml_mm"]
    if kind == "known":
        widths = [2.0 * shape.isthmus_radius_mm for shape in SHAPES.values()]
        # The tables have four decimals.
        assert bias == pytest.approx((SHARP_SHARE - 1.0) * sum(widths) / 3, abs=1e-4)
    else:
        assert abs(bias) < 0.1
    said = day.do(methods)
    assert said.status == 0
    assert "3 femora of 3 CT series" in said.out

    assert day.do(repeat).status == 0
    repeated = tmp_path / "repeated"
    for name in TABLES:
        again, before = (folder / f"{name}.csv" for folder in (repeated, results))
        assert again.read_bytes() == before.read_bytes(), name

    set_trochanters_higher(results)
    assert day.do(corrected).status == 0
    moved = read_rows(results / "corrections.csv")
    assert len({row["case_id"] for row in moved}) == len(PEOPLE)
    differences = [float(row["difference"]) for row in moved if row["column"] == "canal_ml_lt_mm"]
    bias = read_bias(tmp_path / "corrected")["canal_ml_lt_mm"]
    assert bias == pytest.approx(sum(differences) / len(PEOPLE), abs=1e-4)
    assert abs(bias) > 0.1
