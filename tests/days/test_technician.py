"""A technician's day: studies arrive, are measured, corrected, signed, sent, and what to redo."""

import csv
import json
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pydicom
import pytest
from closed_day import NAP_NAME, Study
from peers import CLASSES, Peer, wait_until
from review_client import Client

from canalmorph.errors import NoBoneError
from canalmorph.femur_errors import HiddenByMetalError

#: Each kind of study once; the second half is measured on request only.
HALF = (
    Study(name="01", way="node"),
    Study(name="02", fault="bare"),
    Study(name="03", fault="metal"),
    Study(name="04", fault="short", way="zip"),
    Study(name="05", fault="gap", shape="stovepipe"),
    Study(name="01", fault="copy"),
)
WHOLE = (
    *HALF,
    Study(name="06", way="node", shape="flute"),
    Study(name="07", way="node", shape="stovepipe"),
    Study(name="08", way="zip", shape="flute"),
    Study(name="09", shape="flute"),
    Study(name="10", shape="stovepipe"),
    Study(name="11", way="node"),
)
#: Archive and scanner are this process.
NODE_TOML = """
[node]
ae_title = "CANALMORPH"
port = 0
folder = "node"
results = "results"
quiet_s = 0.5
[limits]
free_gb = 0
[[senders]]
ae_title = "SCANNER"
[[archives]]
name = "pacs"
ae_title = "ARCHIVE"
host = "127.0.0.1"
port = {port}
"""
READER = "M. Okoro"


def read_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def list_case_ids(results: Path) -> set[str]:
    return {path.parent.name for path in results.glob("cases/[!.]*/result.json")}


@pytest.mark.parametrize(
    ("studies", "kind"),
    [
        pytest.param(HALF, "known", id="six studies in closed form"),
        pytest.param(WHOLE, "measured", id="twelve studies", marks=pytest.mark.slow),
    ],
)
def test_a_day_from_the_scanner_to_the_archive(
    studies: tuple[Study, ...],
    kind: str,
    make_day: Callable[..., Any],
    peer: Peer,
    tmp_path: Path,
) -> None:
    day = make_day(tmp_path, studies, kind)
    results = tmp_path / "results"
    (tmp_path / "node.toml").write_text(NODE_TOML.format(port=peer.port))
    receive, survey, measure, review, again, send = day.read_commands("technician")
    by_node = [study for study in studies if study.way == "node"]
    with day.start(receive) as node:
        # Some studies come from the scanner; each goes back to the archive as three objects.
        peer.node_port = node.wait_for('"started"')["port"]
        for n_sent, study in enumerate(by_node, start=1):
            day.send(study, peer.node_port)
            if n_sent == 1:
                # The first one comes as a copy, too.
                wait_until(lambda: len(set(peer.taken)) == len(CLASSES), longest_s=600.0)
                (copied,) = list_case_ids(results)
        n_objects = len(CLASSES) * len(by_node)
        wait_until(lambda: len(set(peer.taken)) == n_objects, longest_s=600.0)
        assert len(list_case_ids(results)) == len(by_node)

        # Of the others the survey says what will be measured, and what is odd.
        said = day.do(survey)
        assert said.status == 0
        n_here = len(studies) - len(by_node)
        assert f"{n_here} of {n_here} would be measured" in said.out
        assert said.out.count("note: Slices are missing within the scan") == 1

        # The machine dies in the middle of a scan.
        with day.start(measure, **{NAP_NAME: "0.5"}) as killed:
            # The copy of the received study takes that one's place; then one more.
            assert killed.wait_for(": measured right").startswith("[")
            killed.wait_for(": measured right")
            killed.wait_for(": measuring")
            killed.kill()
        before = {name: read_stamp(results, name) for name in list_case_ids(results)}
        assert len(before) > len(by_node)
        said = day.do(measure)
        assert said.status == 4
        assert {name: read_stamp(results, name) for name in before} == before
        measured = list_case_ids(results)
        n_measured = len([s for s in studies if s.fault not in ("bare", "metal", "copy")])
        assert len(measured) == n_measured
        found = re.search(r"(\d+) scans were done by an earlier run", said.out)
        assert found is not None
        assert int(found[1]) >= 2

        # The list has every case and every scan that gave none.
        page = (results / "cohort.html").read_text("utf-8")
        assert all(name in page for name in measured)
        assert all(code in page for code in (NoBoneError.code, HiddenByMetalError.code))

        # One lesser trochanter is set 3 mm higher, and all cases are signed.
        with day.start(f"{review} --no-browser") as desk:
            address = desk.wait_for("The review page: ").split()[-1]
            corrected = sign_all(address, measured, correct=copied)
            desk.interrupt()
        rows = read_rows(results / "femurs.csv")
        assert {row["case_id"] for row in rows} == measured
        assert {row["reviewed_by_hand"] for row in rows} == {"signed", "corrected;signed"}
        marks = read_rows(results / "corrections.csv")
        assert {row["case_id"] for row in marks} == {corrected}
        assert {row["marks"] for row in marks} == {"lesser_trochanter"}

        # The closing summary: nothing is measured twice, and what to do about which scan.
        said = day.do(again)
        assert said.status == 4
        assert "not measured (hidden-by-metal)" in said.out
        check_summary(said.out, studies)
        page = (results / "cohort.html").read_text("utf-8")
        assert page.count('"review":"signed"') == n_measured - 1
        assert page.count('"review":"corrected, signed"') == 1
        assert "study_03: Metal lies" in page
        assert f"Review of {len(studies) - len(by_node) - 2} scans: " in said.out
        # A table of the automatic numbers would contradict the pages.
        now = {row["column"]: float(row["corrected"]) for row in marks if row["corrected"]}
        assert f" {now['cti_ml_lt_minus100']:.3f} " in said.out

        # All results go to the archive, the corrected ones anew.
        sent = set(peer.taken)
        said = day.do(send)
        assert said.status == 0
        assert f"the objects of {n_measured} cases" in said.out
        wanted = list_objects(results)
        wait_until(lambda: wanted.keys() <= set(peer.taken), longest_s=600.0)
        assert {wanted[uid] for uid in wanted.keys() - sent} == measured
        # It is done once the archive said that it keeps them.
        wait_until(lambda: '"objects_unconfirmed": 0' in day.do(f"{receive} --health").out)
        node.interrupt()
    assert len(wanted) == len(CLASSES) * n_measured


def read_stamp(results: Path, name: str) -> int:
    return (results / "cases" / name / "result.json").stat().st_mtime_ns


def list_objects(results: Path) -> dict[str, str]:
    """Return the case of each object by its UID."""
    return {
        str(pydicom.dcmread(path, stop_before_pixels=True).SOPInstanceUID): path.parent.parent.name
        for path in results.glob("cases/[!.]*/dicom/*.dcm")
    }


def sign_all(address: str, cases: set[str], *, correct: str) -> str:
    """Correct one case and sign all of them, as the page's script does."""
    place, _, query = address.removeprefix("http://127.0.0.1:").partition("/")
    client = Client(int(place))
    assert client.get(f"/{query}").status_code == 303
    assert {row["case"] for row in client.get("/api/cases").json()["rows"]} == cases

    def do(case_id: str, action: str, **said: object) -> Mapping[str, Any]:
        version = client.get(f"/api/cases/{case_id}?brief=1").json()["version"]
        content = {"action": action, "version": version, "by": READER, **said}
        answer = client.post(f"/api/cases/{case_id}/do", json=content)
        assert answer.status_code == 200, answer.text
        return dict(answer.json())

    apex = client.get(f"/api/cases/{correct}").json()["sides"][0]["apex"]
    mark = {"kind": "lesser_trochanter", "side": "right", "points_mm": [[*apex[:2], 3.0]]}
    do(correct, "correct", mark=mark, reason="The bump is higher.")
    for case_id in sorted(cases):
        assert do(case_id, "sign")["state"] == "signed"
    return correct


def check_summary(out: str, studies: tuple[Study, ...]) -> None:
    """Each scan that gave too little is named once, with the reason and what to do."""
    lines = {
        study.fault: [line for line in out.splitlines() if f"study_{study.name}" in line]
        for study in studies
    }
    refused, better = out.index("Not measured:"), out.index("better sent or scanned again:")
    for fault, words in (
        ("bare", NoBoneError.remedy),
        ("metal", HiddenByMetalError.remedy),
        ("short", "For the flare index scan to the middle of the thigh"),
        ("gap", "Send the series again from the archive."),
    ):
        (line,) = [each for each in lines[fault] if words in each]
        place = out.index(line)
        assert place > (refused if fault in ("bare", "metal") else better)
    assert json.dumps(lines["copy"]).count("already measured right") == 1
