"""Studies found and fetched over DICOM's own protocol: C-FIND, C-GET, C-MOVE."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, cast

from pydicom.dataset import Dataset
from pynetdicom import build_context, build_role, evt
from pynetdicom.association import Association
from pynetdicom.dimse_primitives import C_STORE
from pynetdicom.sop_class import (  # type: ignore[attr-defined]  # named at run time
    StudyRootQueryRetrieveInformationModelFind,
    StudyRootQueryRetrieveInformationModelGet,
    StudyRootQueryRetrieveInformationModelMove,
)

from canalmorph.network.choosing import CHOICE_KEYWORDS
from canalmorph.network.dimse import associate, list_accepted
from canalmorph.network.provider import CT_CLASSES, list_syntaxes, read_head
from canalmorph.network.settings import Archive, NodeSettings
from canalmorph.results_errors import PeerRefusedError

#: Takes a file's content in parts, the UIDs of its series and its own.
KeepObject = Callable[..., None]
_PENDING = (0xFF00, 0xFF01)


class DimsePeer:
    """An archive that is asked over associations.

    Every method raises `PeerUnreachableError` where the archive cannot be reached, and
    `PeerRefusedError` where it does not do what it is asked.
    """

    def __init__(self, settings: NodeSettings, archive: Archive) -> None:
        self._settings, self._archive = settings, archive

    def find_studies(self, **words: str) -> list[str]:
        """Return the UIDs of the studies that have these values, such as an ``AccessionNumber``."""
        answers = self._find("STUDY", ("StudyInstanceUID",), **words)
        return sorted({str(each.StudyInstanceUID) for each in answers})

    def list_headers(self, study_uid: str) -> list[Dataset]:
        """Return what the archive tells of each CT image of a study."""
        series = self._find("SERIES", ("SeriesInstanceUID", "Modality"), StudyInstanceUID=study_uid)
        headers = []
        for each in series:
            if str(each.get("Modality", "")) == "CT":
                headers += self._find(
                    "IMAGE",
                    CHOICE_KEYWORDS,
                    StudyInstanceUID=study_uid,
                    SeriesInstanceUID=str(each.SeriesInstanceUID),
                )
        return headers

    def fetch_series(self, study_uid: str, series_uid: str, keep: KeepObject) -> None:
        """Have a series sent: to `keep`, or to the node where the archive moves it."""
        if self._archive.fetch == "move":
            self._move(_identify("SERIES", study_uid, series_uid))
        else:
            self._get(_identify("SERIES", study_uid, series_uid), series_uid, keep)

    def _find(self, level: str, returned: Sequence[str], **words: str) -> list[Dataset]:
        question = Dataset()
        question.QueryRetrieveLevel = level
        for word in returned:
            setattr(question, word, None)
        for word, value in words.items():
            setattr(question, word, value)
        model = StudyRootQueryRetrieveInformationModelFind
        with self._ask(model) as association:
            return list(self._take_answers(association.send_c_find(question, model)))

    def _get(self, question: Dataset, series_uid: str, keep: KeepObject) -> None:
        failed: list[str] = []

        def store(event: evt.Event) -> int:
            request = cast(C_STORE, event.request)
            try:
                content = cast(Any, request.DataSet).getbuffer()
                keep(
                    read_head(event),
                    content,
                    series_uid=series_uid,
                    object_uid=str(request.AffectedSOPInstanceUID),
                )
            except OSError as error:
                failed.append(type(error).__name__)
                return 0xA700
            return 0x0000

        model = StudyRootQueryRetrieveInformationModelGet
        with self._ask(
            model,
            *[build_context(each, list_syntaxes()) for each in CT_CLASSES],
            handlers=[(evt.EVT_C_STORE, store)],
            roles=[build_role(each, scp_role=True) for each in CT_CLASSES],
        ) as association:
            list(self._take_answers(association.send_c_get(question, model)))
        if failed:
            raise OSError(f"Images cannot be written ({failed[0]}).")

    def _move(self, question: Dataset) -> None:
        model = StudyRootQueryRetrieveInformationModelMove
        with self._ask(model) as association:
            answers = association.send_c_move(question, self._settings.ae_title, model)
            list(self._take_answers(answers))

    @contextmanager
    def _ask(self, model: Any, *others: Any, **how: Any) -> Iterator[Association]:
        """Give an association for one service, which the archive must offer."""
        contexts = [build_context(model), *others]
        with associate(self._settings, self._archive, contexts, **how) as association:
            if str(model) not in list_accepted(association):
                raise self._refused("It does not offer this service to the node.")
            yield association

    def _take_answers(self, answers: Iterator[tuple[Dataset, Dataset | None]]) -> Iterator[Dataset]:
        """Yield what an archive finds, to the end that it says is good."""
        for status, found in answers:
            code = status.get("Status")
            if code is None:
                raise self._refused("It ended the association.")
            if code in _PENDING:
                if found is not None:
                    yield found
            elif code != 0x0000:
                raise self._refused(f"It answers with status {code:04X}.")

    def _refused(self, detail: str) -> PeerRefusedError:
        return PeerRefusedError(archive=self._archive.name, detail=detail)


def _identify(level: str, study_uid: str, series_uid: str) -> Dataset:
    question = Dataset()
    question.QueryRetrieveLevel = level
    question.StudyInstanceUID, question.SeriesInstanceUID = study_uid, series_uid
    return question
