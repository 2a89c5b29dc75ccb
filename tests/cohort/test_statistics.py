"""Statistics against scipy, pandas and statsmodels, and a whole cohort against a short script."""

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from matplotlib.figure import Figure
from statsmodels.stats.proportion import proportion_confint

from canalmorph.cohort import figures
from canalmorph.cohort.describe import NO_REASON, CohortSummary, describe_cohort
from canalmorph.cohort.describe_page import write_describe_page
from canalmorph.cohort.facts import Facts, read_facts
from canalmorph.cohort.figures import draw_distributions, draw_profiles
from canalmorph.cohort.profiles import WidthProfile
from canalmorph.cohort.statistics import share_classes, summarise_numbers
from canalmorph.cohort.summary_tables import write_summary_tables

LEVELS_MM = np.arange(20.0, -121.0, -2.0)
N_CASES = 30


def test_numbers_agree_with_pandas_and_scipy() -> None:
    values = np.random.default_rng(5).normal(12.0, 3.0, 37)
    values[[3, 9]] = np.nan
    found, series = summarise_numbers(values, np.full(37, 0.25)), pd.Series(values)
    assert (found.n, found.n_missing) == (35, 2)
    # Both sum the same numbers in another order: rounding is what is left.
    assert found.mean == pytest.approx(series.mean(), rel=1e-12)
    assert found.sd == pytest.approx(scipy.stats.tstd(series.dropna()), rel=1e-12)
    quartiles = series.quantile([0.25, 0.5, 0.75]).tolist()
    assert [found.quartile_1, found.median, found.quartile_3] == pytest.approx(quartiles, rel=1e-12)
    assert (found.least, found.largest) == (series.min(), series.max())
    assert found.u_rms == pytest.approx(0.25, rel=1e-12)


def test_one_number_has_no_spread_and_none_has_nothing() -> None:
    assert summarise_numbers(np.array([3.0])).sd is None
    assert summarise_numbers(np.array([np.nan])).mean is None


@pytest.mark.parametrize(("n", "total"), [(0, 7), (7, 7), (1, 3), (40, 97), (5000, 10000)])
def test_shares_have_wilsons_interval(n: int, total: int) -> None:
    names = ["A"] * n + ["B"] * (total - n) + [None, ""]
    (share, *_) = share_classes(names, ["A"])
    low, high = proportion_confint(n, total, method="wilson")
    assert (share.n, share.n_known) == (n, total)
    # At 0 and at n one end is exact, and the other formula rounds it by 1e-17.
    assert (share.low, share.high) == (
        pytest.approx(low, rel=1e-9, abs=1e-12),
        pytest.approx(high, rel=1e-9, abs=1e-12),
    )


def make_rows() -> tuple[list[dict], list[dict], list[dict]]:
    rng = np.random.default_rng(11)
    femurs, sections, blanks = [], [], []
    for case in range(N_CASES):
        width_mm = rng.normal(11.0, 1.5)
        for side in ("right", "left"):
            key = {"case_id": f"g{case:02d}", "side": side}
            cfi = float(rng.normal(3.8, 0.7))
            in_view = not (case < 4 and side == "left")
            shape = "stovepipe" if cfi < 3 else "champagne_flute" if cfi > 4.7 else "normal"
            femurs.append(
                {
                    **key,
                    "status": "measured",
                    "plane": "neck",
                    "cfi_ml": cfi if in_view else None,
                    "cfi_ml_u": 0.05 if in_view else None,
                    "canal_shape": shape if in_view else "",
                    "isthmus_canal_ml_mm": width_mm + float(rng.normal(0, 0.2)),
                    "isthmus_canal_ml_mm_u": 0.1,
                    "software_version": "0.1.0",
                    "settings_hash": "g1",
                }
            )
            if not in_view:
                blanks.append({**key, "column": "cfi_ml", "reason": "The isthmus is not in view."})
            sections += [
                {
                    **key,
                    "level_mm": float(level),
                    "canal_ml_mm": None if level == 20 else width_mm + abs(float(level)) / 50,
                    "outer_ml_mm": width_mm + 16.0,
                }
                for level in LEVELS_MM
            ]
    return femurs, sections, blanks


@pytest.fixture(scope="module")
def results(results_of: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    femurs, sections, blanks = make_rows()
    folder = tmp_path_factory.mktemp("cohort") / "results"
    return results_of(folder, femurs=femurs, sections=sections, blanks=blanks)


@pytest.fixture(scope="module")
def facts(tmp_path_factory: pytest.TempPathFactory) -> Facts:
    path = tmp_path_factory.mktemp("facts") / "facts.csv"
    rows = ["case_id;age;sex;centre;patient_no"]
    rows += [
        f"g{case:02d};{60 + case},5;{'FM'[case % 2]};=A{case % 2};00{case}" for case in range(30)
    ]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8-sig")
    return read_facts(path)


@pytest.fixture(scope="module")
def summary(results: Path, facts: Facts) -> CohortSummary:
    return describe_cohort(results, by="centre", facts=facts)


def test_a_group_is_what_a_short_script_makes_of_the_tables(
    results: Path, summary: CohortSummary
) -> None:
    with (results / "femurs.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for place, group in enumerate(summary.groups):
        assert group.name == f"=A{place}"
        mine = [row for row in rows if int(row["case_id"][1:]) % 2 == place]
        values = [float(row["cfi_ml"]) for row in mine if row["cfi_ml"]]
        found = group.numbers["cfi_ml"]
        assert (found.n, found.n_missing) == (len(values), len(mine) - len(values)) == (28, 2)
        assert found.mean == pytest.approx(np.mean(values), rel=1e-12)
        assert found.sd == pytest.approx(np.std(values, ddof=1), rel=1e-12)
        shares = {share.name: share.n for share in group.classes["canal_shape"]}
        assert list(shares) == ["stovepipe", "normal", "champagne_flute"]
        assert shares["stovepipe"] == sum(value < 3 for value in values)
        assert group.missing["cfi_ml"] == {"The isthmus is not in view.": 2}
        assert group.missing["torsion_deg"] == {NO_REASON: 30}
        assert group.numbers["age"].n == 30
    assert "age" in {column.name for column in summary.columns}
    # An id with leading zeros is no number.
    assert "patient_no" not in {column.name for column in summary.columns}


def test_profiles_are_means_by_level(results: Path, summary: CohortSummary) -> None:
    sections = pd.read_csv(results / "sections.csv")
    mine = sections[sections["case_id"].str[1:].astype(int) % 2 == 1]
    expected = mine.groupby("level_mm")["canal_ml_mm"].agg(["mean", "std", "count"])
    expected = expected[expected["count"] > 0]
    (found,) = [one for one in summary.groups[1].profiles if one.column == "canal_ml_mm"]
    assert found.levels_mm.tolist() == expected.index.tolist()
    assert found.levels_mm.max() == 18.0
    assert found.n.tolist() == expected["count"].tolist()
    # Squares of widths of some 12 mm are summed: ten of sixteen digits are left in the variance.
    np.testing.assert_allclose(found.mean, expected["mean"], rtol=1e-12)
    np.testing.assert_allclose(found.sd, expected["std"], rtol=1e-9)


def test_the_page_is_whole_and_shows_no_markup_of_others(
    summary: CohortSummary, tmp_path: Path
) -> None:
    text = write_describe_page(summary, tmp_path).read_text("utf-8")
    assert "<script" not in text
    assert "http" not in text.replace("http://www.w3.org", "").replace("http-equiv", "")
    for words in ("Distribution of the indices", "Widths along the shaft", "Left against right"):
        assert words in text
    assert text.count("<svg") == 5
    assert "two femora of one person are alike" in text
    assert "The isthmus is not in view." in text


def test_groups_of_hostile_names_are_escaped(results: Path, tmp_path: Path) -> None:
    path = tmp_path / "facts.csv"
    names = ["<img src=x>", "$x^{", 'a"b&c']
    rows = [["case_id", "centre"], *([f"g{case:02d}", names[case % 3]] for case in range(30))]
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    found = describe_cohort(results, by="centre", facts=read_facts(path))
    text = write_describe_page(found, tmp_path).read_text("utf-8")
    assert "<img" not in text
    assert "&lt;img src=x&gt;" in text


def test_tables_are_the_same_bytes_and_safe(summary: CohortSummary, tmp_path: Path) -> None:
    contents = []
    for name in ("one", "other"):
        (tmp_path / name).mkdir()
        files = write_summary_tables(summary, tmp_path / name)
        contents.append([file.read_bytes() for file in files])
    assert contents[0] == contents[1]
    frame = pd.read_csv(tmp_path / "one" / "statistics.csv")
    assert set(frame["group"]) == {"'=A0", "'=A1"}
    row = frame[(frame["column"] == "cfi_ml") & (frame["group"] == "'=A0")].iloc[0]
    expected = summary.groups[0].numbers["cfi_ml"].mean
    # Six digits are written.
    assert row["mean"] == pytest.approx(expected, rel=1e-5)


def test_facts_that_do_not_fit_are_told(results: Path, tmp_path: Path) -> None:
    path = tmp_path / "facts.csv"
    path.write_text("case_id,age\ng00,71\ng01,\nk9,50\n", encoding="utf-8")
    found = describe_cohort(results, facts=read_facts(path))
    assert any("1 case without a femur: k9" in remark for remark in found.remarks)
    assert any("Without facts: 56 femora of 28 cases: g02" in one for one in found.remarks)
    assert found.groups[0].numbers["age"].n == 2
    assert len(found.groups[0].femora) == 60


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("case_id,age\ng00,71\ng00,72\n", "several rows for the same femur or case: g00"),
        ("case,age\ng00,71\n", "no column case_id"),
        ("case_id,age,age\ng00,71,72\n", "several columns called"),
        ("case_id,cfi_ml\ng00,3\n", "the results have too: cfi_ml"),
        ("case_id,age\nk1,3\n", "No row of the facts fits"),
        ("", "is empty"),
        ("case_id,age\ng00,71,72\ng01,2\n", "row 2 has 3 cells and the header 2"),
        ("case_id,age\n\n,\ng00,71,72\n", "row 4 has 3 cells and the header 2"),
        (f'case_id,age\n"{"x" * 200_000}', "is no CSV"),
    ],
)
def test_facts_that_cannot_be_joined_are_refused(
    results: Path, tmp_path: Path, text: str, says: str
) -> None:
    path = tmp_path / "facts.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match=says):
        describe_cohort(results, facts=read_facts(path))


def test_facts_may_be_of_femora(results: Path, tmp_path: Path) -> None:
    path = tmp_path / "facts.csv"
    path.write_text("case_id,side,pain\ng00,left,yes\ng00,right,no\n", encoding="utf-8")
    found = describe_cohort(results, by="pain", facts=read_facts(path))
    assert [(group.name, len(group.femora)) for group in found.groups] == [
        ("no", 1),
        ("yes", 1),
        ("(blank)", 58),
    ]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ({"by": "case_id"}, "makes 30 groups"),
        ({"by": "centre"}, "must be a column"),
        ({"by": "shape"}, r"Did you mean canal_shape\? Columns that make groups here: side, "),
        ({"where": "cfi_ml > 100"}, "No femur is left"),
    ],
)
def test_what_cannot_be_described_is_said(results: Path, words: dict[str, str], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        describe_cohort(results, **words)


def test_one_side_alone_needs_no_caution(results: Path) -> None:
    found = describe_cohort(results, where="side = right")
    assert found.remarks == ()


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[Figure]:
    """Return the figures that become pictures from now on, before they are closed."""
    kept: list[Figure] = []

    def keep(figure: Figure, *, prefix: str, title: str) -> str:
        kept.append(figure)
        return title

    monkeypatch.setattr(figures, "render_svg", keep)
    return kept


def test_groups_that_lie_apart_show_their_own_spread(
    summary: CohortSummary, drawn: list[Figure]
) -> None:
    # Three groups of 50 with SD 0.1 around 2, 4 and 6. All together their quartiles are 4 apart,
    # for which the rule gives bins of 1.5, wider than any of them.
    generator = np.random.default_rng(3)
    groups = []
    for middle in (2.0, 4.0, 6.0):
        femora = summary.groups[1].femora.iloc[[0] * 50].copy()
        femora["cfi_ml"] = generator.normal(middle, 0.1, 50)
        groups.append(replace(summary.groups[1], name=f"{middle}", femora=femora))
    draw_distributions(replace(summary, groups=tuple(groups)))
    steps = drawn[0].axes[0].patches[0].get_data()
    assert 0.03 < np.diff(steps.edges)[0] < 0.15
    assert steps.values.sum() == pytest.approx(100.0)


def test_a_mean_is_drawn_where_nearly_all_of_the_group_are(
    summary: CohortSummary, drawn: list[Figure]
) -> None:
    profile = WidthProfile(
        column="canal_ml_mm",
        levels_mm=np.array([-6.0, -4.0, -2.0, 0.0]),
        n=np.array([3, 17, 18, 20]),
        mean=np.array([30.0, 12.0, 11.0, 10.0]),
        sd=np.ones(4),
    )
    group = replace(summary.groups[1], profiles=(profile,))
    draw_profiles(replace(summary, groups=(group,)))
    (line,) = drawn[0].axes[0].lines
    assert np.array_equal(line.get_xdata(), [np.nan, np.nan, 11.0, 10.0], equal_nan=True)
