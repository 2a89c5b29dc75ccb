"""`receive` and `fetch` at the command line: sentences and statuses, and a service that stops."""

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from canalmorph.batch.reviews import ReviewAction, open_reviews
from canalmorph.network.memory import open_memory
from canalmorph_cli.main import run_command

CONFIGURATION = """
[node]
ae_title = "CANALMORPH"
port = 0
folder = "node"
results = "results"

[[archives]]
name = "pacs"
ae_title = "ARCHIVE"
host = "127.0.0.1"
port = 9
"""


@pytest.fixture
def configuration(tmp_path: Path) -> Path:
    file = tmp_path / "node.toml"
    file.write_text(CONFIGURATION, "utf-8")
    return file


def test_a_wrong_file_is_a_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "node.toml"
    file.write_text(CONFIGURATION.replace("port = 0", "port = -1"), "utf-8")
    assert run_command(["receive", str(file)]) == 2
    said = capsys.readouterr().err
    assert said == "canalmorph: node.port must be a whole number from 0 to 65535, got -1.\n"


def test_check_names_each_archive_that_does_not_answer(
    configuration: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_command(["receive", str(configuration), "--check"]) == 2
    said = capsys.readouterr().err
    assert said.startswith("canalmorph: Archive pacs: It does not answer. Check host, port,")
    assert len(said.splitlines()) == 1


@pytest.mark.parametrize(
    ("words", "status", "sentence"),
    [
        (["--from", "nowhere", "--accession", "A"], 2, "no archive 'nowhere'; the file has: pacs."),
        (["--from", "pacs"], 2, "Name --accession, --patient or --list"),
        (["--from", "pacs", "--patient", "P", "--list", "list.txt"], 2, "one of these kinds"),
        (["--from", "pacs", "--accession", "A", "--patients"], 2, "one of these kinds"),
        (["--from", "pacs", "--accession", "A*"], 2, "must be whole"),
        (["--from", "pacs", "--accession", "A1"], 3, "Archive pacs: It does not answer."),
    ],
)
def test_what_cannot_be_fetched_is_a_sentence(
    configuration: Path,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    status: int,
    sentence: str,
) -> None:
    assert run_command(["fetch", str(configuration), *words]) == status
    said = capsys.readouterr().err
    assert sentence in said
    assert len(said.splitlines()) == 1


def test_send_owes_the_archives_what_has_objects(
    configuration: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cases = configuration.parent / "results/cases"
    (configuration.parent / "node").write_text("a file in its place")
    assert run_command(["send", str(configuration)]) == 2
    assert "cannot be written" in capsys.readouterr().err
    (configuration.parent / "node").unlink()
    for name in ("k1", "k2"):
        (cases / name).mkdir(parents=True)
        (cases / name / "result.json").write_text("{}")
    assert run_command(["send", str(configuration)]) == 3
    assert "2 cases without DICOM objects" in capsys.readouterr().out
    (cases / "k2/dicom").mkdir()
    (cases / "k2/dicom/report.dcm").write_bytes(b"")
    assert run_command(["send", str(configuration), "k2"]) == 0
    assert "the objects of 1 case " in capsys.readouterr().out
    assert run_command(["send", str(configuration)]) == 4
    with open_memory(configuration.parent / "node") as memory:
        assert memory.list_cases() == ["k2"]
    assert run_command(["send", str(configuration), "k3"]) == 2
    assert "have no case k3" in capsys.readouterr().err
    configuration.write_text(CONFIGURATION + "send = false\n", "utf-8")
    assert run_command(["send", str(configuration)]) == 2
    assert "No archive of the file takes results" in capsys.readouterr().err


def test_send_leaves_out_what_a_person_rejected_unless_asked(
    configuration: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    results = configuration.parent / "results"
    for name in ("k1", "k2"):
        (results / f"cases/{name}/dicom").mkdir(parents=True)
        (results / f"cases/{name}/result.json").write_text("{}")
        (results / f"cases/{name}/dicom/report.dcm").write_bytes(b"")
    with open_reviews(results) as reviews:
        rejected = reviews.get("k2")
        said = {"by": "M. Okoro", "reason": "Moved.", "measured_with": ""}
        reviews.say(rejected, ReviewAction.REJECT, **said)

    def send(*words: str) -> tuple[int, str, list[str]]:
        status = run_command(["send", str(configuration), *words])
        with open_memory(configuration.parent / "node") as memory:
            return status, capsys.readouterr().out, sorted(memory.list_cases())

    left_out = "1 case rejected on review, not sent without --rejected: k2\n"
    assert send("k2") == (3, f"{left_out}Nothing is to be sent.\n", [])
    status, told, owed = send()
    assert (status, owed) == (0, ["k1"])
    assert "the objects of 1 case to" in told
    assert left_out in told
    status, told, owed = send("--rejected")
    assert (status, owed) == (0, ["k1", "k2"])
    assert "rejected" not in told


def test_a_service_says_json_and_stops_when_it_is_told_to(
    configuration: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = [sys.executable, "-m", "canalmorph_cli", "receive", str(configuration)]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        started = json.loads(process.stderr.readline())
        assert started["event"] == "started"
        # A second node is refused while it runs.
        assert run_command(["receive", str(configuration)]) == 2
        assert "is in use by another node" in capsys.readouterr().err
        time.sleep(0.2)
        process.send_signal(signal.SIGTERM)
        rest = process.stderr.read().splitlines()
        assert process.wait(30) == 0
    assert [json.loads(line)["event"] for line in rest] == ["health", "stopped"]
    assert run_command(["receive", str(configuration), "--health"]) == 0
    health = json.loads(capsys.readouterr().out)
    assert health["event"] == "health"
    assert health["objects_waiting"] == 0
