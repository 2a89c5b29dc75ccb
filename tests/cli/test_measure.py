"""``measure`` and ``demo`` do their whole job, and say what went wrong in one sentence."""

import csv
import json
import math
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

import canalmorph.batch.run as batch_run
import canalmorph.batch.work as batch_work
from canalmorph.batch.reviews import ReviewAction, open_reviews
from canalmorph.measure.rods import put_off_rods
from canalmorph.model.corrections import Correction, CorrectionKind
from canalmorph.model.femur import Side
from canalmorph.report.wording import name_class
from canalmorph_cli import clinic
from canalmorph_phantoms.build import PhantomResult


def read_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def measured(small_dicom: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A day's folder with one good scan and a letter, and its results."""
    from canalmorph_cli.main import run_command

    day = tmp_path_factory.mktemp("clinic") / "monday"
    shutil.copytree(small_dicom, day / "quill_rosalind")
    (day / "broken.nii").write_bytes(b"no image at all")
    out = day.parent / "results"
    words = ["measure", str(day / "quill_rosalind"), str(day / "broken.nii"), "--out", str(out)]
    assert run_command(words) == 4
    return out


def test_a_femur_is_measured_right(measured: Path, small_result: PhantomResult) -> None:
    (row,) = read_rows(measured / "femurs.csv")
    truth = small_result.truth.femora[0]
    assert row["side"] == truth.side == "right"
    # Coarse voxels (1 x 1 x 1.5 mm): five times the promised worst case of 0.25 mm, so that a wrong
    # column, side or level fails. How exact the numbers are is tested in tests/accuracy.
    expected = truth.named_sections["lt_minus100"]["canal_ml_mm"]
    assert float(row["canal_ml_lt_minus100_mm"]) == pytest.approx(expected, abs=1.25)
    assert 0 < float(row["canal_ml_lt_minus100_mm_u"]) < 1.25
    assert row["canal_shape"] == "normal"


def test_the_case_lies_where_it_should(measured: Path) -> None:
    (row,) = read_rows(measured / "femurs.csv")
    case = measured / "cases" / row["case_id"]
    page = (case / "report.html").read_text("utf-8")
    assert "Quill" in page
    assert "<script src" not in page
    assert (case / "masks.nii.gz").stat().st_size > 1000
    levels = [float(each["level_mm"]) for each in read_rows(measured / "sections.csv")]
    steps = [above - below for above, below in pairwise(levels)]
    assert 0 < max(steps) <= 2.0


def test_every_column_is_explained(measured: Path) -> None:
    explained = {(row["table"], row["name"]) for row in read_rows(measured / "columns.csv")}
    for name in ("femurs.csv", "sections.csv", "refusals.csv"):
        header = (measured / name).read_text("utf-8").splitlines()[0].split(",")
        assert {(name, column) for column in header} <= explained


def test_the_end_shows_femora_refusals_and_places(
    measured: Path, small_dicom: Path, run: Callable, tmp_path: Path
) -> None:
    (tmp_path / "notes.txt").write_text("hello")
    said = run("measure", small_dicom, tmp_path / "notes.txt", "--out", measured)
    assert said.status == 4
    assert said.err == ""
    (row,) = read_rows(measured / "femurs.csv")
    for word in (row["case_id"], "right", "normal", "±", name_class(row["fixation"])):
        assert word in said.out, word
    assert "notes.txt" in said.out
    assert "[not-an-image]" in said.out
    assert str(measured / "cases" / row["case_id"] / "report.html") in said.out
    assert "[1/1] quill_rosalind: already measured right" in said.out
    # Not a terminal: plain lines, nothing written over, no colour.
    assert "\r" not in said.out
    assert "\x1b" not in said.out


@pytest.mark.slow
def test_measuring_again_gives_the_same_table(
    measured: Path, small_dicom: Path, run: Callable
) -> None:
    before = (measured / "femurs.csv").read_bytes()
    said = run("measure", small_dicom, "--out", measured, "--again")
    assert said.status == 0
    assert "already" not in said.out
    assert (measured / "femurs.csv").read_bytes() == before


@pytest.mark.slow
def test_slices_are_measured_on_demand_beside_the_sections(
    measured: Path, small_dicom: Path, run: Callable, tmp_path: Path
) -> None:
    assert not (measured / "axial.csv").exists()
    assert run("measure", small_dicom, "--out", tmp_path / "out", "--axial").status == 0
    sections = (tmp_path / "out/sections.csv").read_text("utf-8").splitlines()
    assert len(sections) == len((measured / "sections.csv").read_text("utf-8").splitlines())
    across = {float(row["level_mm"]): row for row in read_rows(tmp_path / "out/sections.csv")}
    on_slices = [
        row
        for row in read_rows(tmp_path / "out/axial.csv")
        if row["level_mm"] and -150 < float(row["level_mm"]) < -40
    ]
    assert len(on_slices) > 60
    for row in on_slices:
        tilt = math.radians(float(row["tilt_deg"]))
        # The femur is placed with 6 degrees of adduction and 3 of flexion.
        assert math.degrees(tilt) == pytest.approx(6.7, abs=0.5)
        beside = across[2.0 * round(float(row["level_mm"]) / 2.0)]
        for outline in ("outer", "canal"):
            # Any width of the slice lies between the smallest one across the shaft and the largest
            # made longer by the tilt; the levels differ by up to a millimetre, over which these
            # outlines widen by less than 0.2 mm (2 % of area), and edges by some uncertainties of
            # 0.06.
            least = float(beside[f"{outline}_min_mm"]) - 0.35
            most = float(beside[f"{outline}_max_mm"]) / math.cos(tilt) + 0.35
            assert least < float(row[f"{outline}_ml_mm"]) < most
            assert least < float(row[f"{outline}_ap_mm"]) < most
            area = float(beside[f"{outline}_area_mm2"]) / math.cos(tilt)
            assert float(row[f"{outline}_area_mm2"]) == pytest.approx(area, rel=0.04)


def test_json_lines_say_what_became_of_the_scan(
    measured: Path, small_dicom: Path, run: Callable
) -> None:
    said = run("measure", small_dicom, "--out", measured, "--json")
    assert said.status == 0
    told = [json.loads(line) for line in said.out.splitlines()]
    assert [each["event"] for each in told] == ["batch_started", "case_ended", "batch_ended"]
    assert (told[1]["state"], told[1]["kept"], told[2]["status"]) == ("measured", True, 0)
    assert "quill" not in said.out


def test_nothing_measured_is_status_3_without_a_traceback(tmp_path: Path, run: Callable) -> None:
    (tmp_path / "scan.zip").write_bytes(b"PK\x03\x04 torn")
    said = run("measure", tmp_path / "scan.zip", "--out", tmp_path / "out")
    assert said.status == 3
    assert "scan.zip" in said.out
    assert "Traceback" not in said.out + said.err


def test_a_bug_is_status_1_and_its_text_is_shown_on_demand_only(
    tmp_path: Path, small_dicom: Path, run: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stumble(*args: object, **kwargs: object) -> None:
        raise KeyError("Quill^Rosalind")

    monkeypatch.setattr(batch_work, "read_series", stumble)
    said = run("measure", small_dicom, "--out", tmp_path / "out")
    assert said.status == 1
    assert "[internal-error]" in said.out
    assert "Rosalind" not in (said.out + said.err).replace("quill_rosalind", "")
    assert "Traceback" not in said.out + said.err
    shown = run("measure", small_dicom, "--out", tmp_path / "out", "--debug")
    assert shown.status == 1
    assert "Traceback" in shown.out


def test_a_bug_outside_a_scan_is_status_1_in_one_sentence(
    tmp_path: Path, small_dicom: Path, run: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stumble(*args: object, **kwargs: object) -> None:
        raise KeyError("Quill^Rosalind")

    monkeypatch.setattr(batch_run, "survey_scans", stumble)
    said = run("measure", small_dicom, "--out", tmp_path / "out")
    assert said.status == 1
    assert "Rosalind" not in said.out + said.err
    assert len(said.err.strip().splitlines()) == 1
    assert "Traceback" in run("measure", small_dicom, "--out", tmp_path / "out", "--debug").err


def test_stopping_is_said(
    tmp_path: Path, small_dicom: Path, run: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(*args: object, **kwargs: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(batch_work, "read_series", stop)
    said = run("measure", small_dicom, "--out", tmp_path / "out")
    assert said.status == 130
    assert "stopped" in said.err


def test_wrong_usage_is_status_2(tmp_path: Path, small_dicom: Path, run: Callable) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine/letter.txt").write_text("")
    for words in (
        [],
        ["measure"],
        ["measure", small_dicom],
        ["measure", small_dicom, "--out", small_dicom / "results"],
        ["measure", small_dicom, "--out", tmp_path / "mine"],
        ["measure", small_dicom, "--out", tmp_path / "o", "--case-key", tmp_path / "absent"],
        ["measure", small_dicom, "--out", tmp_path / "o", "--no-such-option"],
        ["measure", small_dicom, "--out", tmp_path / "o", "--workers", "0"],
        ["measure", small_dicom, "--out", tmp_path / "o", "--case-timeout", "0"],
        [
            "measure",
            small_dicom,
            "--out",
            tmp_path / "o",
            "--workers",
            "2",
            "--scheduler",
            "tcp://a:1",
        ],
        ["no-such-command"],
        ["demo", "--out", tmp_path / "mine"],
    ):
        said = run(*words)
        assert said.status == 2, words
        assert "Traceback" not in said.err, words
    assert not (tmp_path / "o").exists()
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["letter.txt"]


@pytest.mark.slow
def test_the_demo_shows_one_of_each_shape_and_a_scan_that_ends_too_early(
    tmp_path: Path, run: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The demo's own patients and steps, in coarser voxels to be quick.
    for name in ("HIPS_AND_THIGHS", "ENDS_TOO_EARLY"):
        coarse = replace(
            getattr(clinic, name), pixel_mm=1.0, slice_spacing_mm=1.5, slice_thickness_mm=1.5
        )
        monkeypatch.setattr(clinic, name, coarse)
    said = run("demo", "--out", tmp_path / "demo")
    assert said.status in (0, 4), said.out + said.err
    results = tmp_path / "demo/results"
    rows = read_rows(results / "femurs.csv")
    shapes = [row["canal_shape"] for row in rows if row["cfi_ml"]]
    assert sorted(shapes) == sorted(["stovepipe", "normal", "champagne_flute"] * 2)
    early = [row for row in rows if not row["cfi_ml"]]
    assert [row["side"] for row in early] == ["right"]
    assert float(early[0]["cfi_ml_lower_bound"]) > 1
    assert len(re.findall(r"report\.html", said.out)) == 4
    for scan in clinic.list_clinic_scans():
        assert scan.folder in said.out


def test_fill_tells_of_every_measured_femur(measured: Path, run: Callable) -> None:
    said = run("fill", measured, "--diameter", "9", "--level=-60")
    assert said.status == 0
    (line,) = said.out.splitlines()
    found = re.search(r"ML (\d+\.\d) ± \d+\.\d %, AP .* room \+(\d+\.\d+) ±", line)
    assert found is not None
    # The largest circle is no wider than the ML width.
    assert float(found[2]) <= 9.0 / (float(found[1]) / 100) - 9.0 + 0.02
    assert "does not fit" in run("fill", measured, "--diameter", "30", "--level=-60").out


def test_fill_refuses_what_it_cannot_take(measured: Path, run: Callable) -> None:
    assert run("fill", measured, "--diameter", "0", "--level=-60").status == 2
    assert run("fill", measured / "absent", "--diameter", "9", "--level=-60").status == 2
    assert run("fill", measured, "--diameter", "9", "--level=-240").status == 3


def test_fill_takes_the_numbers_that_a_person_set_right(
    measured: Path, run: Callable, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("canalmorph.measure.facts.measure_rods", lambda *args: put_off_rods())
    results = Path(shutil.copytree(measured, tmp_path / "out"))
    (row,) = read_rows(results / "femurs.csv")
    asked = ("fill", results, "--diameter", "9", "--level=-60")
    before = run(*asked).out
    apex = [float(row[f"lt_{axis}_mm"]) for axis in "xyz"]
    mark = Correction(
        kind=CorrectionKind.LESSER_TROCHANTER,
        side=Side.RIGHT,
        points_lps_mm=((apex[0], apex[1], apex[2] + 20.0),),
    )
    said = {"by": "M. Okoro", "reason": "", "measured_with": "0.1.0 gabc"}
    with open_reviews(results) as reviews:
        seen = reviews.correct(reviews.get(row["case_id"]), mark, **said)
    after = run(*asked)
    assert after.status == 0
    assert row["case_id"] in after.out
    assert after.out != before
    with open_reviews(results) as reviews:
        reviews.say(seen, ReviewAction.REJECT, **said)
    rejected = run(*asked)
    assert rejected.status == 3
    assert f"{row['case_id']}  rejected by hand" in rejected.out


def test_fill_goes_on_after_a_damaged_record(measured: Path, run: Callable, tmp_path: Path) -> None:
    results = Path(shutil.copytree(measured, tmp_path / "out"))
    damaged = results / "cases" / "0damaged"
    damaged.mkdir()
    (damaged / "result.json").write_bytes(b"{")
    said = run("fill", results, "--diameter", "9", "--level=-60")
    assert said.status == 4
    first, second = said.out.splitlines()[0], said.out.splitlines()[-1]
    assert first.startswith("0damaged  ")
    assert "ML " in second


def test_the_tables_of_real_measures_are_exported_described_and_stated(
    measured: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from canalmorph_cli.main import run_command

    for table in ("femurs", "sections", "landmarks", "sides", "blanks", "refusals"):
        words = ["export", str(measured), "--what", table, "--out", str(tmp_path)]
        assert run_command(words) == 0
    assert (tmp_path / "sections.csv").read_bytes() == (measured / "sections.csv").read_bytes()
    blank = {row["column"] for row in read_rows(tmp_path / "blanks.csv")}
    (row,) = read_rows(measured / "femurs.csv")
    assert blank
    assert all(row[column] == "" for column in blank)
    assert run_command(["describe", str(measured), "--out", str(tmp_path)]) == 0
    missing = read_rows(tmp_path / "missing.csv")
    assert {row["column"] for row in missing if row["reason"] != "No reason is recorded."} <= blank
    capsys.readouterr()
    assert run_command(["methods", str(measured), "--out", str(tmp_path)]) == 0
    stated = capsys.readouterr().out
    assert "- measure.level_step_mm = 2.0" in stated
    assert "quill" not in stated.lower()


def test_a_notebook_opens_and_goes_on_with_the_same_results(measured: Path) -> None:
    import canalmorph

    results = canalmorph.open_results(measured)
    (row,) = read_rows(measured / "femurs.csv")
    assert results.femurs["cfi_ml"].tolist() == [float(row["cfi_ml"])]
    assert results.femurs["case_id"].tolist() == [row["case_id"]]
    below = results.read_table("sections", columns=["canal_ml_mm"], where="level_mm < -90")
    assert list(below.columns) == ["case_id", "side", "level_mm", "canal_ml_mm"]
    assert below["level_mm"].max() < -90
    assert "<svg" in results.draw_profiles()._repr_svg_()
    assert results.describe().groups[0].numbers["cfi_ml"].mean == float(row["cfi_ml"])
    with pytest.raises(AttributeError, match="has no attribute 'measure_scan'"):
        canalmorph.measure_scan  # noqa: B018  to look it up is enough


def test_indices_are_what_a_short_script_makes_of_the_sections(measured: Path) -> None:
    (femur,) = read_rows(measured / "femurs.csv")
    rows = {float(row["level_mm"]): row for row in read_rows(measured / "sections.csv")}

    def width(outline: str, axis: str, level_mm: float) -> float:
        return float(rows[level_mm][f"{outline}_{axis}_mm"])

    isthmus = float(femur["isthmus_canal_ml_mm"])
    canal, outer = width("canal", "ml", -100.0), width("outer", "ml", -100.0)
    recomputed = {
        "canal_ml_lt_plus20_mm": width("canal", "ml", 20.0),
        "cfi_ml": width("canal", "ml", 20.0) / isthmus,
        "mcfi_ml": width("canal", "ml", 20.0) / width("canal", "ml", -20.0),
        "dcfi_ml": width("canal", "ml", -20.0) / isthmus,
        "cti_ml_lt_minus100": (outer - canal) / outer,
        "cbr_ml_lt_minus100": canal / outer,
        "canal_ratio_isthmus_over_lt_ml": isthmus / width("canal", "ml", 0.0),
        "canal_ratio_lt_minus100_over_lt_minus30_ml": canal / width("canal", "ml", -30.0),
        "mci_ml": width("outer", "ml", 0.0) / width("canal", "ml", -70.0),
        "cti_ap_lt_minus100": 1 - width("canal", "ap", -100.0) / width("outer", "ap", -100.0),
    }
    for name, value in recomputed.items():
        # Widths of 10 mm and more are written to 0.0001 mm: half of that twice, and the ratio's
        # own last digit.
        assert float(femur[name]) == pytest.approx(value, rel=1.1e-5, abs=1e-6), name


def test_a_run_is_repeated_like_another_one(
    measured: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from canalmorph_cli.main import run_command

    day = measured.parent / "monday"
    (record,) = (measured / "cases").glob("*/result.json")
    before = record.stat().st_mtime_ns
    assert "\nnumpy==" in (measured / "environment.txt").read_text("utf-8")
    words = ["measure", str(day / "quill_rosalind"), str(day / "broken.nii"), "--out"]
    # The same settings and scans: nothing is left to do, and the refusal is told again.
    assert run_command([*words, str(measured), "--like", str(measured)]) == 4
    assert record.stat().st_mtime_ns == before
    capsys.readouterr()
    assert run_command([*words, str(measured), "--like", str(measured), "--axial"]) == 2
    assert "leave out --all-series and --axial" in capsys.readouterr().err
    assert run_command([*words, str(measured), "--like", str(day)]) == 2
    assert "no folder of results" in capsys.readouterr().err


def test_report_draws_the_pages_again(measured: Path, run: Callable, tmp_path: Path) -> None:
    (page,) = measured.glob("cases/*/report.html")
    case = page.parent.name
    page.unlink()
    said = run("report", measured)
    assert said.status == 0
    assert f"{case}  drawn" in said.out
    assert b"Osteoporosis: not stated." in page.read_bytes()
    facts = tmp_path / "facts.csv"
    facts.write_text(f"case_id,osteoporosis\n{case},yes\n", encoding="utf-8")
    assert run("report", measured, case, "--facts", facts).status == 0
    assert b"Osteoporosis." in page.read_bytes()


def test_report_refuses_what_it_cannot_take(measured: Path, run: Callable, tmp_path: Path) -> None:
    assert run("report", measured, "nobody").status == 2
    assert run("report", tmp_path).status == 2
    facts = tmp_path / "facts.csv"
    facts.write_text("case_id,osteoporosis\nx,perhaps\n", encoding="utf-8")
    said = run("report", measured, "--facts", facts)
    assert said.status == 2
    assert "Line 2" in said.err
    assert "perhaps" not in said.err + said.out
