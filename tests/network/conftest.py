"""A node on this machine alone, tiny CT studies, a stage of measures that costs nothing, a peer."""

import json
import threading
import warnings
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from peers import ARCHIVE, CLASSES, NODE, SENDER, Peer, make_entity, run_peer, wait_until
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import UID, CTImageStorage, ExplicitVRLittleEndian
from pynetdicom import build_context
from pynetdicom.association import Association

from canalmorph.batch.engine import EngineListener
from canalmorph.batch.ledger import FAILED, MEASURED
from canalmorph.batch.task import CaseReport, CaseTask
from canalmorph.network.log import NodeLog
from canalmorph.network.memory import KEPT
from canalmorph.network.node import Node, open_node
from canalmorph.network.settings import Archive, Limits, NodeSettings, Sender
from canalmorph.read.found import DicomPlan
from canalmorph_phantoms.write import make_uid

#: What must stand in no log line.
IDENTITY = ("Quill", "Rosalind", "PX-552317", "ACC-90210")


def make_slice(study: str, k: int = 0, **others: Any) -> FileDataset:
    """Return one image of 8 x 8 of a study; slices of the same study are one series."""
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.MediaStorageSOPClassUID = CTImageStorage
    ds = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    ds.SOPClassUID, ds.Modality = CTImageStorage, "CT"
    ds.PatientName, ds.PatientID, ds.AccessionNumber = "Quill^Rosalind", "PX-552317", "ACC-90210"
    ds.StudyInstanceUID, ds.SeriesInstanceUID = make_uid("study", study), make_uid("series", study)
    ds.SOPInstanceUID = UID(make_uid("image", study, k))
    ds.FrameOfReferenceUID = make_uid("frame", study)
    ds.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    ds.ImagePositionPatient, ds.ImageOrientationPatient = [0, 0, k], [1, 0, 0, 0, 1, 0]
    ds.PixelSpacing, ds.SliceThickness, ds.Rows, ds.Columns = [1, 1], 1, 8, 8
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 16, 15, 0
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.RescaleSlope, ds.RescaleIntercept = 1, -1024
    ds.PixelData = bytes(128)
    with warnings.catch_warnings():
        # What breaks the standard's rules is written as it is.
        warnings.simplefilter("ignore")
        for keyword, value in others.items():
            setattr(ds, keyword, value)
        meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    return ds


def make_study(study: str, n_slices: int = 12) -> list[FileDataset]:
    return [make_slice(study, k) for k in range(n_slices)]


class FreeEngine:
    """Takes every case at once and lays three tiny objects into its folder."""

    def __init__(self) -> None:
        self.taken: list[str] = []
        self.fail = 0

    def take(
        self, tasks: Iterable[CaseTask], listener: EngineListener
    ) -> Generator[tuple[CaseTask, CaseReport]]:
        for task in tasks:
            listener.start_task(task)
            self.taken.append(task.entry.case_id)
            if self.fail:
                self.fail -= 1
                yield task, CaseReport(case_id=task.entry.case_id, state=FAILED, reason="a-bug")
                continue
            write_results(task, self.taken.count(task.entry.case_id))
            yield (
                task,
                CaseReport(case_id=task.entry.case_id, state=MEASURED, femora=({"side": "left"},)),
            )


def write_results(task: CaseTask, version: int = 1) -> None:
    folder = task.folder.cases / task.entry.case_id / "dicom"
    folder.mkdir(parents=True, exist_ok=True)
    for name, sop_class in CLASSES.items():
        meta = FileMetaDataset()
        meta.TransferSyntaxUID, meta.MediaStorageSOPClassUID = (
            ExplicitVRLittleEndian,
            UID(sop_class),
        )
        ds = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
        ds.SOPClassUID = UID(sop_class)
        ds.SOPInstanceUID = UID(make_uid(task.entry.mark.content, name))
        ds.SeriesInstanceUID, ds.Modality = make_uid(task.entry.case_id, name), name[:3].upper()
        assert isinstance(task.series.plan, DicomPlan)
        ds.StudyInstanceUID = task.series.plan.slices[0].study_uid
        ds.PatientID = "PX-552317"
        meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
        ds.SeriesDescription = f"{name} {version}"
        ds.save_as(folder / f"{name}.dcm", enforce_file_format=True)


@pytest.fixture
def peer() -> Iterator[Peer]:
    """An archive in this process."""
    with run_peer() as made:
        yield made


@dataclass
class Running:
    """A node, what it says, and what is asked of it."""

    node: Node
    lines: list[str]
    engine: FreeEngine

    def list_events(self, name: str) -> list[dict[str, Any]]:
        said = [json.loads(line) for line in list(self.lines)]
        return [each for each in said if each["event"] == name]

    def count_kept(self) -> int:
        """Return how many objects the archives are known to have."""
        return self.node._memory.count()[KEPT]

    def wait_for(self, name: str, n: int = 1) -> list[dict[str, Any]]:
        """Return the lines of an event, once there are so many."""
        wait_until(lambda: len(self.list_events(name)) >= n)
        return self.list_events(name)

    def associate(self, *classes: str, title: str = SENDER, called: str = NODE) -> Association:
        contexts = [build_context(each) for each in classes or (CTImageStorage,)]
        return make_entity(title).associate(
            "127.0.0.1", self.node.port, contexts=contexts, ae_title=called
        )

    def send(self, *objects: Dataset, title: str = SENDER) -> list[int | None]:
        """Return the answers to each of these objects, sent over one association."""
        association = self.associate(*{each.SOPClassUID for each in objects}, title=title)
        assert association.is_established
        answers = [association.send_c_store(each).get("Status") for each in objects]
        association.release()
        return answers


@contextmanager
def run_node(settings: NodeSettings, engine: Any = None, **others: Any) -> Iterator[Running]:
    lines: list[str] = []
    engine = engine or FreeEngine()
    stop = threading.Event()
    with open_node(settings, NodeLog(lines.append), engine=engine, **others) as node:
        thread = threading.Thread(target=node.run, args=(stop,))
        thread.start()
        try:
            yield Running(node, lines, engine)
        finally:
            stop.set()
            thread.join()
    assert not [word for word in IDENTITY for line in lines if word in line]


@pytest.fixture
def make_settings(tmp_path: Path) -> Callable[..., NodeSettings]:
    """Return a maker of settings for a node on a free port, which waits for nothing long."""

    def make(peer: Peer | None = None, **others: Any) -> NodeSettings:
        archives = (
            ()
            if peer is None
            else (Archive(name="pacs", ae_title=ARCHIVE, host="127.0.0.1", port=peer.port),)
        )
        settings = NodeSettings(
            ae_title=NODE,
            port=0,
            folder=tmp_path / "node",
            results=tmp_path / "results",
            quiet_s=0.2,
            broken_quiet_s=0.4,
            limits=Limits(free_bytes=0, idle_s=10.0),
            senders=(Sender(ae_title=SENDER),),
            archives=archives,
        )
        return replace(settings, **others)

    return make


@pytest.fixture
def quick_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let failures be tried again at once."""
    monkeypatch.setattr("canalmorph.network.outbox.FIRST_PAUSE_S", 0.05)
    monkeypatch.setattr("canalmorph.network.outbox.LOOK_S", 0.1)
    monkeypatch.setattr("canalmorph.network.dimse.PROMPT_REPORT_S", 0.02)
    monkeypatch.setattr("canalmorph.network.node.PAUSE_S", 0.1)
    monkeypatch.setattr("canalmorph.network.node.SWEEP_S", 0.2)


@pytest.fixture(scope="session")
def kit() -> SimpleNamespace:
    """What the tests of this folder share beside the fixtures."""
    return SimpleNamespace(
        free_engine=FreeEngine,
        make_entity=make_entity,
        make_slice=make_slice,
        make_study=make_study,
        run_node=run_node,
        wait_until=wait_until,
        classes=CLASSES,
        identity=IDENTITY,
        sender=SENDER,
        archive=ARCHIVE,
        node=NODE,
    )
