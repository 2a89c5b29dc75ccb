"""``canalmorph verify``: its numbers, its verdict, its files and its exit status."""

import csv
from dataclasses import replace
from math import erf, inf, sqrt
from types import SimpleNamespace

import numpy as np
import pytest

from canalmorph.classify.shape import classify_canal
from canalmorph.model.femur import Plane
from canalmorph_cli.acceptance.judging import (
    FEWEST_FEMORA,
    Domain,
    Standing,
    judge_promise,
    judge_records,
)
from canalmorph_cli.acceptance.page import make_verify_page
from canalmorph_cli.acceptance.plain_methods import STEP_MM, PlainMethod, find_edges
from canalmorph_cli.acceptance.promises import PROMISES
from canalmorph_cli.acceptance.records import (
    BOW_SHARE,
    FEMUR_MEASURED,
    HEAD_CENTRE,
    LT_LEVEL,
    Record,
    ScanConditions,
    compare_measurement,
)
from canalmorph_cli.acceptance.run import run_acceptance
from canalmorph_cli.acceptance.studies import STUDIES, StudyPoint
from canalmorph_cli.acceptance.summaries import summarise
from canalmorph_cli.acceptance.truths import list_known_femora
from canalmorph_phantoms.catalogue import SMALL

ORDINARY = ScanConditions(slice_mm=1.0, noise_hu=15.0)
LT_PROMISE = next(one for one in PROMISES if one.key == "lt_level")


@pytest.fixture(scope="module")
def result():
    """One small scan, measured in this process."""
    return run_acceptance([SMALL["small_right"]], quick=True, workers=1)


def make_record(error, *, number=0, u=0.1, warnings=()):
    return Record(
        scan=f"scan_{number}",
        side="left",
        column=LT_LEVEL,
        true=0.0,
        measured=error,
        u=u,
        warnings=warnings,
        conditions=ORDINARY,
    )


def break_promises(result):
    tight = [replace(one, worst=1e-9) for one in PROMISES if one.key == "head_centre"]
    records = [replace(record, conditions=ORDINARY) for record in result.records]
    return replace(result, judgements=judge_records(records, tight))


def test_summary_is_that_of_the_closed_form():
    records = [make_record(error) for error in (-0.1, 0.1, 0.3, None)]
    summary = summarise(records)
    assert (summary.n, summary.n_blank) == (3, 1)
    assert summary.bias == pytest.approx(0.1)
    assert summary.sd == pytest.approx(0.2 * sqrt(2 / 3))
    assert summary.worst == pytest.approx(0.3)
    assert summary.z_sd == pytest.approx(2 * sqrt(2 / 3))
    # 0.3 is 3 uncertainties: beyond 1.96.
    assert summary.coverage == pytest.approx(2 / 3)


def test_a_flagged_number_does_not_count_for_the_worst_case():
    records = [make_record(0.05, number=number) for number in range(FEWEST_FEMORA)]
    assert judge_promise(LT_PROMISE, records).standing is Standing.HELD
    silent = [*records, make_record(5.0, number=9)]
    worst = {check.name: check.held for check in judge_promise(LT_PROMISE, silent).checks}
    assert worst["worst"] is False
    told = [*records, make_record(5.0, number=9, warnings=("lt_uncertain",))]
    checks = {check.name: check.held for check in judge_promise(LT_PROMISE, told).checks}
    assert checks["worst"]
    # It still counts for the spread: flags are no way to hide a bad landmark.
    assert not checks["SD"]


def test_few_femora_are_judged_by_their_worst_case_alone():
    judgement = judge_promise(LT_PROMISE, [make_record(0.7)])
    assert judgement.standing is Standing.HELD
    assert {check.name: check.judged for check in judgement.checks} == {
        "bias": False,
        "SD": False,
        "worst": True,
    }


def make_head_record(column, error, *, joint_mm, warnings=()):
    record = make_record(error, warnings=warnings)
    return replace(record, column=column, joint_mm=joint_mm)


def judge(key, records):
    promise = next(one for one in PROMISES if one.key == key)
    judgement = judge_promise(promise, records)
    return judgement, {check.name: check.held for check in judgement.checks}


def test_heads_in_fused_joints_have_a_promise_of_their_own():
    open_joint = make_head_record("head_diameter_mm", 0.6, joint_mm=1.0)
    unknown = make_head_record("head_diameter_mm", 0.6, joint_mm=inf)
    fused = make_head_record("head_diameter_mm", 1.4, joint_mm=0.0)
    blank = make_head_record(HEAD_CENTRE, None, joint_mm=0.0, warnings=("head_not_separated",))
    wrong = make_head_record(HEAD_CENTRE, 1.6, joint_mm=0.0)
    # The same error breaks the bound of open joints and holds that of fused ones.
    judgement, held = judge("head_diameter", [open_joint, unknown, fused, blank, wrong])
    assert judgement.summary.n == 2
    assert not held["worst"]
    judgement, held = judge("head_fused", [open_joint, unknown, fused, blank])
    assert (judgement.summary.n, judgement.summary.n_blank) == (1, 1)
    assert held["worst"]
    # Wrong without a flag is what must never be.
    assert not judge("head_fused", [fused, blank, wrong])[1]["worst"]
    told = replace(wrong, warnings=("head_not_separated",))
    assert judge("head_fused", [fused, blank, told])[1]["worst"]


def compare(stages, truth, **change):
    """Return the records of a femur by column, its sections left out."""
    (known,) = list_known_femora(truth)
    profile = replace(stages.profile, frame=replace(stages.profile.frame, **change))
    femur = SimpleNamespace(
        side=known.side,
        profile=profile,
        indices=stages.indices,
        canal_type=classify_canal(stages.indices),
        warnings=(),
    )
    found = SimpleNamespace(
        case=SimpleNamespace(femora=(femur,), refusals=()), aligned=(stages.aligned,)
    )
    records = compare_measurement("scan", found, [known], conditions=ORDINARY)
    return {record.column: record for record in records if record.level_mm is None}


def test_a_hidden_head_has_no_numbers_of_the_necks_plane(right_stages, small_right):
    (femur,) = small_right.truth.femora
    fused = replace(small_right.truth, femora=(replace(femur, joint_gap_mm=0.0),))
    in_neck = compare(right_stages, fused)
    in_scanner = compare(right_stages, fused, plane=Plane.SCANNER)
    gone = in_neck.keys() - in_scanner.keys()
    assert {"cfi_ml", "canal_ap_lt_mm", "isthmus_level_mm", "p_normal"} <= gone
    assert {"head_diameter_mm", LT_LEVEL, "isthmus_canal_inscribed_mm"} <= in_scanner.keys()
    # Where the head is free, another plane than the neck's is an error, and shows.
    assert compare(right_stages, small_right.truth, plane=Plane.SCANNER).keys() == in_neck.keys()


def test_the_bow_is_judged_by_its_share(right_stages, small_right):
    records = compare(right_stages, small_right.truth)
    bow, share = records["bow_radius_mm"], records[BOW_SHARE]
    assert share.measured == pytest.approx(bow.measured / bow.true)
    assert share.error == pytest.approx(bow.error / bow.true)


def blur_wall(thickness_mm, *, inside_hu, wall_hu, outside_hu, blur_mm=0.5):
    """Return a wall between 10 mm and 10 mm + thickness, blurred by a Gaussian."""
    x = np.arange(0.0, 24.0, STEP_MM)
    rise = np.array([0.5 * (1 + erf((at - 10.0) / (blur_mm * sqrt(2)))) for at in x])
    end = 10.0 + thickness_mm
    fall = np.array([0.5 * (1 + erf((at - end) / (blur_mm * sqrt(2)))) for at in x])
    return inside_hu + (wall_hu - inside_hu) * rise + (outside_hu - wall_hu) * fall


# A symmetric box under a Gaussian of 0.5 mm, half of its local maximum: worked out in closed form.
@pytest.mark.parametrize(
    ("thickness_mm", "expected_mm"),
    [(0.5, 0.73), (1.0, 0.39), (1.5, 0.17), (2.0, 0.06), (5.0, 0.0)],
)
def test_half_maximum_reads_thin_walls_as_theory_says(thickness_mm, expected_mm):
    profile = blur_wall(thickness_mm, inside_hu=0.0, wall_hu=1600.0, outside_hu=0.0)
    inner, outer = find_edges(PlainMethod.HALF_MAXIMUM, profile)
    # The plateau is a median over the top tenth, a little below the peak.
    assert outer - inner - thickness_mm == pytest.approx(expected_mm, abs=0.05)


def test_fixed_threshold_reads_walls_as_theory_says():
    # 600 HU between 50, 1700 and -50 HU: two quantiles of the normal distribution, +0.38 mm.
    profile = blur_wall(4.0, inside_hu=50.0, wall_hu=1700.0, outside_hu=-50.0)
    inner, outer = find_edges(PlainMethod.THRESHOLD, profile)
    assert outer - inner - 4.0 == pytest.approx(0.38, abs=0.01)


def test_every_part_of_an_acceptance_is_filled(result):
    assert [scan.name for scan in result.scans] == ["small_right"]
    by_column = {record.column: record for record in result.records}
    assert by_column[FEMUR_MEASURED].measured == 1.0
    # Slices of 1.5 mm: judged as beyond the ordinary.
    assert {one.domain for one in result.judgements} == set(Domain)
    assert all(result.list_plain(method) for method in PlainMethod)
    with pytest.raises(ValueError, match="different names"):
        run_acceptance([SMALL["small_right"]] * 2, workers=1)


def test_page_is_self_contained_and_says_what_is_broken(result):
    page = make_verify_page(break_promises(result))
    assert "1 of 1 promises are broken." in page
    assert "Quick acceptance: 1 scans only." in page
    assert page.count("<svg") == 3
    for loader in ("<script", "src=", "<link", "url(http"):
        assert loader not in page
    assert "nan" not in page.lower().split("<svg")[0]


@pytest.mark.slow
def test_command_writes_page_and_tables(run, tmp_path, monkeypatch):
    point = StudyPoint(value=1.0, spec=SMALL["small_left_flute"])
    study = replace(STUDIES[0], points=(point,))
    scans = "canalmorph_cli.acceptance.scans.WHOLE"
    monkeypatch.setattr(scans, {"small_right": SMALL["small_right"]})
    monkeypatch.setattr("canalmorph_cli.acceptance.studies.STUDIES", (study,))
    said = run("verify", "--out", tmp_path / "new" / "out")
    assert said.status == 0, said.out + said.err
    assert "[1/2] small_right: 1 of 1 femora" in said.out
    assert "[2/2] small_left_flute: 1 of 1 femora" in said.out
    folder = tmp_path / "new" / "out"
    assert sorted(path.name for path in folder.iterdir()) == [
        "verify.html",
        "verify_errors.csv",
        "verify_summary.csv",
    ]
    with (folder / "verify_errors.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert {row["method"] for row in rows} == {"canalmorph", "threshold", "half-maximum"}
    assert {row["scan"] for row in rows} == {"small_right", "small_left_flute"}
    assert (folder / "verify.html").read_text(encoding="utf-8").count("<svg") == 4
    row = next(row for row in rows if row["column"] == "cfi_ml" and row["method"] == "canalmorph")
    error = float(row["measured"]) - float(row["true"])
    assert float(row["error"]) == pytest.approx(error, abs=1e-4)
    assert float(row["z"]) == pytest.approx(error / float(row["u"]), rel=0.01)


def test_broken_promise_ends_with_status_1(run, tmp_path, monkeypatch, result):
    broken = break_promises(result)
    monkeypatch.setattr("canalmorph_cli.acceptance.run.run_acceptance", lambda *_, **__: broken)
    said = run("verify", "--out", tmp_path)
    assert said.status == 1
    assert "broken: Distance of the head's centre" in said.out
    assert said.err == ""
    assert (tmp_path / "verify.html").is_file()


def test_wrong_usage_is_one_sentence_with_status_2(run, tmp_path, monkeypatch):
    taken = tmp_path / "file"
    taken.write_text("mine")
    said = run("verify", "--out", taken)
    assert said.status == 2
    assert said.err.count("\n") == 1
    assert taken.read_text() == "mine"
    monkeypatch.setattr("canalmorph_cli.parts.find_spec", lambda _: None)
    said = run("verify", "--out", tmp_path / "out")
    assert said.status == 2
    assert "canalmorph[report]" in said.err
    assert not (tmp_path / "out").exists()
