"""``export``, ``describe`` and ``agree`` from the command line: words in, files and status out."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from canalmorph.export.rows import CaseRows, expand_columns
from canalmorph.export.tables import write_tables
from canalmorph.model.columns import FEMUR_COLUMNS

Run = Callable[..., Any]


def write_results(folder: Path, rows: list[dict[str, Any]]) -> Path:
    """Write a results folder of femora of which only some cells are known."""
    columns = list(expand_columns(FEMUR_COLUMNS))
    blank = {column.name: None if column.unit else "" for column in columns}
    folder.mkdir(parents=True)
    write_tables(folder, [CaseRows(femurs=[{**blank, **row} for row in rows])])
    return folder


@pytest.fixture
def results(tmp_path: Path) -> Path:
    rows = [
        {"case_id": f"g{case}", "side": side, "cfi_ml": 3.0 + case / 10, "canal_shape": "normal"}
        for case in range(6)
        for side in ("right", "left")
    ]
    return write_results(tmp_path / "results", rows)


def test_export_writes_what_was_chosen(run: Run, results: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    said = run(
        *("export", results, "--out", out, "--columns", "cfi_ml", "--decimal", ","),
        *("--where", "side = left and cfi_ml > 3.25", "--bom"),
    )
    assert said.status == 0, said.err
    assert "3 rows, 3 columns" in said.out
    frame = pd.read_csv(out / "femurs.csv", sep=";", decimal=",", encoding="utf-8-sig")
    assert frame["cfi_ml"].tolist() == [3.3, 3.4, 3.5]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--what", "femora"], "must be one of"),
        (["--where", "cfi = 3"], "no column 'cfi'"),
        (["--separator", ":"], "'separator' must be"),
        (["--columns", "no"], "no column 'no'"),
    ],
)
def test_export_says_what_it_cannot_take(
    run: Run, results: Path, tmp_path: Path, words: list[str], says: str
) -> None:
    out = tmp_path / "out"
    said = run("export", results, "--out", out, *words)
    assert said.status == 2
    assert says in said.err
    assert not out.exists()


def test_export_needs_a_folder_of_results(run: Run, results: Path, tmp_path: Path) -> None:
    assert run("export", tmp_path, "--out", tmp_path / "out").status == 2
    said = run("export", results, "--out", results)
    assert said.status == 2
    assert "name another folder" in said.err
    assert run("export", results, "--format", "ods").status == 2


def test_describe_says_and_writes_the_cohort(run: Run, results: Path, tmp_path: Path) -> None:
    out, facts = tmp_path / "out", tmp_path / "facts.csv"
    facts.write_text("case_id,age\n" + "".join(f"g{case},{70 + case}\n" for case in range(6)))
    said = run("describe", results, "--by", "side", "--facts", facts, "--out", out)
    assert said.status == 0, said.err
    # 3.0 to 3.5 on either side: mean 3.25, SD of six equally spaced numbers 0.1 * sqrt(3.5).
    assert said.out.count("3.250 ± 0.187") == 2
    assert (out / "describe.html").exists()
    classes = pd.read_csv(out / "classes.csv")
    assert classes[classes["n"] == 6]["class"].tolist() == ["normal", "normal"]


def test_describe_says_what_it_cannot_take(run: Run, results: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert run("describe", results, "--by", "no", "--out", out).status == 2
    said = run("describe", results, "--facts", tmp_path / "none.csv", "--out", out)
    assert said.status == 2
    assert "none.csv cannot be read" in said.err
    assert not out.exists()


def test_agree_compares_two_folders(run: Run, results: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    said = run("agree", results, results, "--out", out)
    assert said.status == 0, said.err
    assert "12 femora in both" in said.out
    assert "0.000 (0.000 to 0.000)" in said.out
    assert (out / "agree.html").exists()
    other = write_results(tmp_path / "other", [{"case_id": "h1", "side": "left", "cfi_ml": 3.0}])
    said = run("agree", results, other, "--out", tmp_path / "none")
    assert said.status == 2
    assert "--pairs" in said.err
    assert not (tmp_path / "none").exists()


def test_methods_are_written_with_their_references(run: Run, results: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    said = run("methods", results, "--columns", "cfi_ml", "--out", out)
    assert said.status == 0, said.err
    assert "12 femora of 6 CT series" in said.out
    assert "Canal ML width at LT+20 [mm]: bias 0.15" in (out / "methods.txt").read_text("utf-8")
    assert "@misc{noble_1988," in (out / "methods.bib").read_text("utf-8")
