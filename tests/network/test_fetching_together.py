"""A fetch beside another, and beside the node that measures what is fetched."""

from collections.abc import Callable, Generator, Iterable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from pydicom.dataset import Dataset

from canalmorph.batch.folder import hold_results
from canalmorph.network.fetching import FetchedStudy, fetch_studies
from canalmorph.network.node import read_health
from canalmorph.network.provider import read_head
from canalmorph.network.settings import Archive, NodeSettings
from canalmorph.results_errors import FetchBusyError

Make = Callable[..., NodeSettings]
pytestmark = pytest.mark.usefixtures("quick_pauses")
ARCHIVE = Archive(name="web", url="http://127.0.0.1:9/dicom-web", fetch="web")


class HeldArchive:
    """An archive with one study; `halfway` is called when half of its images were given."""

    def __init__(self, images: list[Dataset]) -> None:
        self.images = images
        self.halfway: Callable[[], object] = lambda: None
        self.n_given = 0

    def find_studies(self, **words: str) -> list[str]:
        return [str(self.images[0].StudyInstanceUID)]

    def list_headers(self, study_uid: str) -> list[Dataset]:
        return self.images

    def fetch_series(self, study_uid: str, series_uid: str, keep: Callable[..., None]) -> None:
        for number, image in enumerate(self.images):
            if number == len(self.images) // 2:
                self.halfway()
            event: Any = SimpleNamespace(file_meta=image.file_meta)
            keep(
                read_head(event),
                encode(image),
                series_uid=series_uid,
                object_uid=str(image.SOPInstanceUID),
            )
            self.n_given += 1


def encode(image: Dataset) -> bytes:
    from pynetdicom.dsutils import encode as encode_dataset

    content = encode_dataset(image, False, True)
    assert content is not None
    return content


@pytest.fixture
def held(kit: SimpleNamespace, monkeypatch: pytest.MonkeyPatch) -> HeldArchive:
    held = HeldArchive(kit.make_study("one", 24))
    monkeypatch.setattr("canalmorph.network.fetching.WebPeer", lambda archive: held)
    return held


def fetch(settings: NodeSettings, out: Path | None = None) -> FetchedStudy:
    (told,) = fetch_studies(settings, ARCHIVE, ["ACC-90210"], out=out)
    return told


@pytest.mark.parametrize("into", ["inbox", "out"])
def test_a_second_fetch_into_the_same_folder_is_refused_and_disturbs_nothing(
    into: str, held: HeldArchive, make_settings: Make, tmp_path: Path
) -> None:
    settings = make_settings()
    out = tmp_path / "scans" if into == "out" else None
    refused = []

    def fetch_again() -> None:
        held.halfway = lambda: None
        with pytest.raises(FetchBusyError, match="Wait for its end"):
            fetch(settings, out)
        # Elsewhere it may.
        refused.append(fetch(settings, tmp_path / "elsewhere").n_images)

    held.halfway = fetch_again
    assert fetch(settings, out).n_images == 24
    assert refused == [24]
    for folder in (out or settings.inbox, tmp_path / "elsewhere"):
        kept = [path for path in folder.rglob("*") if path.is_file()]
        assert len(kept) == 24, folder
        assert {path.suffix for path in kept} == {".dcm"}
    # The end of a fetch frees the folder; what is there is not fetched again.
    assert (fetch(settings, out).n_images, held.n_given) == (24, 48)


def test_a_fetch_needs_no_results_folder_that_is_free(
    held: HeldArchive, make_settings: Make, kit: SimpleNamespace
) -> None:
    settings = make_settings()
    with kit.run_node(settings) as running:
        with hold_results(settings.results):
            assert fetch(settings).problem == ""
        running.wait_for("case")


def test_what_is_fetched_while_the_study_is_measured_is_measured_with_the_rest(
    held: HeldArchive, make_settings: Make, kit: SimpleNamespace
) -> None:
    """The rest of a study reaches the archive, and is fetched, while its first part is measured."""
    settings = make_settings()
    whole, held.images = held.images, held.images[:12]
    engine = kit.free_engine()
    take, seen = engine.take, []

    def take_and_fetch(tasks: Iterable[Any], listener: Any) -> Generator[Any]:
        for task in list(tasks):
            seen.append(task.series.n_slices)
            held.images = whole
            if len(seen) == 1:
                assert fetch(settings).n_images == 24
                assert read_health(settings)["studies_waiting"] == 1
            yield from take([task], listener)

    engine.take = take_and_fetch
    with kit.run_node(settings, engine) as running:
        assert fetch(settings).n_images == 12
        first, second = running.wait_for("case", 2)
        assert first["case"] == second["case"]
        kit.wait_until(lambda: read_health(settings)["studies_measured"] == 1)
    assert seen == [12, 24]
    assert len(list(settings.inbox.rglob("*.dcm"))) == 24


def test_what_a_killed_node_was_measuring_is_measured_after_its_restart(
    held: HeldArchive, make_settings: Make, kit: SimpleNamespace
) -> None:
    settings = make_settings(quiet_s=1000.0)
    from canalmorph.network.memory import open_memory

    fetch(settings)
    with open_memory(settings.folder) as memory:
        (study,) = memory.list_studies("received")
        memory.note_taken([study])
    with kit.run_node(replace(settings, quiet_s=0.2)) as running:
        running.wait_for("case")
    assert read_health(settings)["studies_measured"] == 1
