"""Of a study in the archive only what the survey would choose is fetched, whole, and once."""

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pydicom
import pytest
from pydicom.dataset import Dataset
from pynetdicom import evt
from pynetdicom.sop_class import StudyRootQueryRetrieveInformationModelFind

from canalmorph.network.choosing import choose_remote_series
from canalmorph.network.fetching import PATIENT, fetch_studies
from canalmorph.network.node import read_health
from canalmorph.network.query import DimsePeer
from canalmorph.network.settings import Archive, NodeSettings, Sender
from canalmorph.read.scans import survey_scans
from canalmorph.results_errors import PeerRefusedError
from canalmorph_phantoms.write import make_uid

Make = Callable[..., NodeSettings]


def make_series(
    kit: SimpleNamespace, study: str, name: str, n_slices: int, step_mm: float, **others: Any
) -> list[Dataset]:
    """Return a series of a study, with slices so far apart."""
    return [
        kit.make_slice(
            study,
            k,
            SeriesInstanceUID=make_uid("series", study, name),
            SOPInstanceUID=make_uid("image", study, name, k),
            ImagePositionPatient=[0, 0, step_mm * k],
            SliceThickness=step_mm,
            **others,
        )
        for k in range(n_slices)
    ]


@pytest.fixture(scope="module")
def study(kit: SimpleNamespace) -> dict[str, list[Dataset]]:
    """A study as scanners make it: thin and thick slices, a soft kernel, a localizer."""
    return {
        "thin": make_series(kit, "one", "thin", 24, 1.2, ConvolutionKernel="B60f"),
        "soft": make_series(kit, "one", "soft", 24, 1.2, ConvolutionKernel="B20f"),
        "thick": make_series(kit, "one", "thick", 10, 3.0, ConvolutionKernel="B60f"),
        "localizer": make_series(
            kit, "one", "localizer", 1, 1.0, ImageType=["ORIGINAL", "PRIMARY", "LOCALIZER"]
        ),
    }


def strip(images: list[Dataset], *words: str) -> list[Dataset]:
    """Return what an archive tells: without pixels, without these."""
    told = []
    for image in images:
        header = Dataset()
        for element in image:
            if element.keyword not in ("PixelData", "BitsAllocated", "RescaleSlope", *words):
                header.add(element)
        told.append(header)
    return told


def list_all(study: dict[str, list[Dataset]]) -> list[Dataset]:
    return [image for series in study.values() for image in series]


def test_the_choice_is_that_of_the_survey(study: dict[str, list[Dataset]], tmp_path: Path) -> None:
    for number, image in enumerate(list_all(study)):
        image.save_as(tmp_path / f"{number}.dcm", enforce_file_format=True)
    (chosen,) = [series for series in survey_scans(tmp_path) if series.chosen]
    choice = choose_remote_series(strip(list_all(study)))
    assert choice.images == {chosen.series_key: 24}
    assert chosen.series_key == study["thin"][0].SeriesInstanceUID
    assert choice.certain
    assert sorted(choice.reasons) == ["localizer", "not-chosen", "not-chosen"]


def test_an_archive_that_tells_too_little_is_asked_for_all(
    study: dict[str, list[Dataset]],
) -> None:
    choice = choose_remote_series(strip(list_all(study), "ImagePositionPatient"))
    assert not choice.certain
    assert sorted(choice.images.values()) == [1, 10, 24, 24]


def test_a_study_without_a_scan_is_not_fetched(study: dict[str, list[Dataset]]) -> None:
    assert choose_remote_series([]).images == {}
    only = choose_remote_series(strip(study["localizer"]))
    assert only.images == {}
    assert "localizer" in only.reasons


def test_numbers_that_would_match_others_are_refused(make_settings: Make) -> None:
    archive = Archive(name="pacs", ae_title="ARCHIVE", host="127.0.0.1", port=9)
    for word in ("A*", "?", " ", "A\\B"):
        with pytest.raises(ValueError, match="must be whole"):
            next(fetch_studies(make_settings(), archive, [word]))
    moving = replace(archive, fetch="move")
    with pytest.raises(ValueError, match="leave out --out"):
        next(fetch_studies(make_settings(), moving, ["A1"], out=Path("x")))


def compare(expected: dict[str, Dataset], folder: Path) -> None:
    kept = [pydicom.dcmread(path) for path in folder.rglob("*.dcm")]
    assert len(kept) == len(expected)
    for each in kept:
        ours = expected[str(each.SOPInstanceUID)]
        assert each.PixelData == ours.PixelData
        assert each.ImagePositionPatient == ours.ImagePositionPatient


@pytest.mark.slow
@pytest.mark.archive
@pytest.mark.usefixtures("quick_pauses")
def test_each_way_fetches_the_one_series_once(
    archive: Any,
    study: dict[str, list[Dataset]],
    make_settings: Make,
    kit: SimpleNamespace,
    tmp_path: Path,
) -> None:
    (tmp_path / "sent").mkdir()
    for number, image in enumerate(list_all(study)):
        image.save_as(tmp_path / "sent" / f"{number}.dcm", enforce_file_format=True)
    archive.send(*sorted((tmp_path / "sent").iterdir()))
    pacs = Archive(name="pacs", ae_title="ARCHIVE", host="127.0.0.1", port=archive.dicom_port)
    web = Archive(name="web", url=f"{archive.root}/dicom-web", fetch="web")
    settings = make_settings(port=archive.node_port, senders=(Sender(ae_title="ARCHIVE"),))
    thin = {str(image.SOPInstanceUID): image for image in study["thin"]}
    for source in (pacs, web):
        out = tmp_path / source.name
        for _ in range(2):
            (told,) = fetch_studies(settings, source, ["PX-552317"], kind=PATIENT, out=out)
            assert (told.n_series, told.n_images, told.problem) == (1, 24, "")
            assert told.certain
        compare(thin, out)
        (absent,) = fetch_studies(settings, source, ["ABSENT"], out=out)
        assert absent.problem == "The archive has no such study."
    # Moved to a running node, or fetched into its inbox: measured either way.
    for source in (replace(pacs, fetch="move"), pacs):
        with kit.run_node(settings) as running:
            (told,) = fetch_studies(settings, source, ["ACC-90210"])
            assert (told.n_images, told.problem) == (24, "")
            running.wait_for("case")
        compare(thin, settings.inbox)
        assert read_health(settings)["studies_measured"] == 1
        shutil.rmtree(settings.folder)


@pytest.mark.parametrize(
    ("offers", "said"), [(True, "answers with status A700"), (False, "does not offer this service")]
)
def test_an_archive_that_refuses_a_question_is_told_by_its_answer(
    offers: bool, said: str, make_settings: Make, kit: SimpleNamespace
) -> None:
    find = str(StudyRootQueryRetrieveInformationModelFind)
    entity = kit.make_entity(kit.archive)
    for service in ("1.2.840.10008.1.1", *([find] if offers else [])):
        entity.add_supported_context(service)
    handlers = [(evt.EVT_C_FIND, lambda event: [(0xA700, None)])]
    server = entity.start_server(("127.0.0.1", 0), block=False, evt_handlers=handlers)
    try:
        port = int(server.server_address[1])
        archive = Archive(name="pacs", ae_title=kit.archive, host="127.0.0.1", port=port)
        with pytest.raises(PeerRefusedError, match=said):
            DimsePeer(make_settings(), archive).find_studies(AccessionNumber="A1")
        # Of several numbers the others go on.
        (told,) = fetch_studies(make_settings(), archive, ["A1"])
        assert said in told.problem
    finally:
        entity.shutdown()
