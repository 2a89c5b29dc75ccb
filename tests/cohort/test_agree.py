"""Two results folders: which femora are the same, what is said of them, and the page."""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from canalmorph.cohort.agree import CohortAgreement, compare_cohorts
from canalmorph.cohort.agree_page import draw_differences, write_agree_page
from canalmorph.cohort.agree_tables import write_agreement_tables

Write = Callable[..., Path]
N_CASES = 20


def make_rows(*, prefix: str, bias: float, seed: int, kernel: str = "B60") -> list[dict]:
    rng, noise = np.random.default_rng(1), np.random.default_rng(seed)
    rows = []
    for case in range(N_CASES):
        for side in ("right", "left"):
            width_mm, cfi = rng.normal(11, 1.5), rng.normal(3.8, 0.8)
            cfi += noise.normal(0, 0.1)
            rows.append(
                {
                    "case_id": f"{prefix}{case:02d}",
                    "side": side,
                    "plane": "neck",
                    "kernel": kernel,
                    "software_version": "0.1.0",
                    "settings_hash": "g1",
                    "cfi_ml": float(cfi),
                    "cfi_ml_u": 0.1,
                    "canal_shape": "stovepipe" if cfi < 3 else "normal",
                    "isthmus_canal_ml_mm": width_mm + bias + float(noise.normal(0, 0.1)),
                    "isthmus_canal_ml_mm_u": 0.1,
                }
            )
    rows[0]["cfi_ml"] = rows[0]["cfi_ml_u"] = None
    rows[0]["canal_shape"] = ""
    return rows


@pytest.fixture(scope="module")
def folders(results_of: Write, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("agree")
    a = make_rows(prefix="g", bias=0.0, seed=2)
    b = make_rows(prefix="g", bias=0.5, seed=3, kernel="B30")[:-1]
    b[0]["cfi_ml"], b[0]["cfi_ml_u"] = 3.5, 0.1
    return results_of(folder / "a", femurs=a), results_of(folder / "b", femurs=b[::-1])


@pytest.fixture(scope="module")
def agreement(folders: tuple[Path, Path]) -> CohortAgreement:
    return compare_cohorts(*folders)


def test_femora_are_matched_by_case_and_side(
    agreement: CohortAgreement, folders: tuple[Path, Path]
) -> None:
    a, b = (pd.read_csv(folder / "femurs.csv") for folder in folders)
    both = a.merge(b, on=["case_id", "side"], suffixes=("_a", "_b"))
    difference = both["isthmus_canal_ml_mm_b"] - both["isthmus_canal_ml_mm_a"]
    found = agreement.numbers["isthmus_canal_ml_mm"]
    assert found.n == len(both) == agreement.n == 39
    assert found.bias is not None
    assert found.bias.value == pytest.approx(difference.mean(), rel=1e-9)
    assert found.bias.low < 0.5 < found.bias.high
    assert found.sd == pytest.approx(difference.std(), rel=1e-9)
    worst = both.loc[difference.abs().idxmax()]
    assert agreement.worst_cases["isthmus_canal_ml_mm"] == f"{worst.case_id} {worst.side}"
    assert (agreement.paired.only_a, agreement.paired.only_b) == (1, 0)
    # One femur has no index in A.
    flare = agreement.numbers["cfi_ml"]
    assert (flare.n, flare.n_only_a, flare.n_only_b) == (38, 0, 1)
    assert flare.icc_agreement is not None
    assert 0.9 < flare.icc_agreement.value < 1
    assert agreement.classes["canal_shape"].n == 38
    assert agreement.classes["canal_shape"].kappa_weighted is not None
    assert "torsion_deg" not in {column.name for column in agreement.columns}


def test_equal_results_are_drawn_no_finer_than_numbers_are_printed(
    folders: tuple[Path, Path],
) -> None:
    found = compare_cohorts(folders[0], folders[0])
    svg = draw_differences(found)
    ticks = [float(tick) for tick in re.findall(r">(\d+\.\d+)</text>", svg)]
    # Widths are printed to 0.01 mm and ratios to 0.001.
    assert min(tick for tick in ticks if tick > 0) >= 0.001
    assert ">1e" not in svg
    assert "B − A [mm]" in svg


def test_what_differs_by_itself_is_said(agreement: CohortAgreement) -> None:
    said = " ".join(agreement.remarks)
    assert "Femora in A alone: 1; in B alone: 0." in said
    assert "The kernel: B60 in A, B30 in B." in said
    assert "two femora of one person" in said
    assert "version" not in said
    assert "Only" not in said


def test_few_femora_are_said_to_be_few(folders: tuple[Path, Path]) -> None:
    found = compare_cohorts(*folders, where="case_id in (g01, g02, g03)")
    # t of 5 degrees of freedom is 2.571, times sqrt(3 / 6): 1.8.
    assert any("Only 6 femora" in one and "known to 1.8 SD" in one for one in found.remarks)
    found = compare_cohorts(*folders, where="case_id = g01")
    assert any("2 femora are in both: too few" in one for one in found.remarks)
    assert found.numbers["isthmus_canal_ml_mm"].bias is None


def test_scan_and_rescan_need_a_table_of_pairs(
    results_of: Write, folders: tuple[Path, Path], tmp_path: Path
) -> None:
    rescan = results_of(tmp_path / "b", femurs=make_rows(prefix="h", bias=0.0, seed=4))
    with pytest.raises(ValueError, match="No femur is in both folders"):
        compare_cohorts(folders[0], rescan)
    pairs = tmp_path / "pairs.csv"
    pairs.write_text("case_id_a,case_id_b\ng01,h01\ng02,h02\n")
    found = compare_cohorts(folders[0], rescan, pairs=pairs)
    assert found.paired.a["case_id"].tolist() == ["g01", "g01", "g02", "g02"]
    assert found.paired.b["case_id"].tolist() == ["h01", "h01", "h02", "h02"]
    pairs.write_text("case_id_a,case_id_b\ng01,h01\nQuill,h01\n")
    with pytest.raises(ValueError, match="same case_id_b: h01"):
        compare_cohorts(folders[0], rescan, pairs=pairs)
    pairs.write_text("case_id_a,other\ng01,h01\n")
    with pytest.raises(ValueError, match="must have the columns"):
        compare_cohorts(folders[0], rescan, pairs=pairs)


def test_page_and_tables_are_whole(agreement: CohortAgreement, tmp_path: Path) -> None:
    text = write_agree_page(agreement, tmp_path).read_text("utf-8")
    assert "<script" not in text
    assert text.count("<svg") == 1
    for words in ("ICC(2,1)", "Agreement is not accuracy", "weighted", "B30 in B"):
        assert words in text
    files = write_agreement_tables(agreement, tmp_path)
    assert [file.name for file in files] == ["agreement.csv", "kappa.csv", "class_pairs.csv"]
    frame = pd.read_csv(tmp_path / "agreement.csv").set_index("column")
    expected = agreement.numbers["cfi_ml"].icc_agreement
    assert expected is not None
    row = frame.loc["cfi_ml"]
    # Six digits are written.
    assert row["icc_agreement"] == pytest.approx(expected.value, rel=1e-5)
    assert row["icc_agreement_95_low"] == pytest.approx(expected.low, rel=1e-5)
    pairs = pd.read_csv(tmp_path / "class_pairs.csv")
    assert pairs[pairs["column"] == "canal_shape"]["n"].sum() == 38
