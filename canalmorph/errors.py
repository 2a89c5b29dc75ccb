"""The reasons to refuse: one class each, with a code, fields and a sentence on what to do.

A message may name a file (relative to the input) and a tag; it never carries a patient's identity.
"""

from functools import partial
from typing import Any, ClassVar


class CanalMorphError(Exception):
    """A scan or a femur that cannot be measured.

    Subclasses take keyword-only fields and store each under its own name, so that a worker
    process can send the error back whole.
    """

    code: ClassVar[str] = "error"

    def __reduce__(self) -> tuple[Any, ...]:
        """Rebuild from the keyword-only fields, which plain pickling of exceptions cannot."""
        return partial(type(self), **self.__dict__), ()


class NoFemurError(CanalMorphError):
    """No shaft with a femoral head above it is in view."""

    code = "no-femur"

    def __init__(self, *, source: str, n_long_bones: int) -> None:
        bones = "one long bone was" if n_long_bones == 1 else f"{n_long_bones} long bones were"
        seen = (
            f"{bones} found in it, none with a femoral head above it"
            if n_long_bones
            else "no long bone was found in it"
        )
        super().__init__(
            f"'{source}' shows no femur that can be measured: {seen}. "
            f"Give a CT that shows the hip joint and the shaft below it."
        )
        self.source, self.n_long_bones = source, n_long_bones


class HeadNotInViewError(CanalMorphError):
    """The femoral head is not in view, and the lesser trochanter alone does not tell the femur."""

    code = "head-not-in-view"

    def __init__(self, *, side: str) -> None:
        super().__init__(
            f"The head of the {side} femur is not in view, and no bump on the shaft is clearly its "
            f"lesser trochanter. Rescan from the hip joint downwards."
        )
        self.side = side


class LesserTrochanterError(CanalMorphError):
    """The lesser trochanter cannot be told, so that no level has a meaning."""

    code = "lesser-trochanter-not-found"

    def __init__(self, *, side: str, prominence_mm: float) -> None:
        super().__init__(
            f"The lesser trochanter of the {side} femur cannot be told: the largest bump stands "
            f"out by {prominence_mm:.1f} mm. Check that it is in view and not removed or fractured."
        )
        self.side, self.prominence_mm = side, prominence_mm


class ShaftTooShortError(CanalMorphError):
    """Too little of the shaft is in view for an axis."""

    code = "shaft-too-short"

    def __init__(self, *, side: str, length_mm: float) -> None:
        super().__init__(
            f"Only {length_mm:.0f} mm of the {side} femur's shaft below the lesser trochanter is "
            f"in view, too little for its axis. Rescan to at least 150 mm below the lesser "
            f"trochanter."
        )
        self.side, self.length_mm = side, length_mm


class CanalNotFollowedError(CanalMorphError):
    """The shaft is in view, but its outlines cannot be followed."""

    code = "canal-not-followed"

    def __init__(self, *, side: str, cause: str) -> None:
        super().__init__(
            f"The canal of the {side} femur cannot be followed below the lesser trochanter: "
            f"{cause}. Check the scan by eye at that place."
        )
        self.side, self.cause = side, cause


class SlicesAlongShaftError(CanalMorphError):
    """Thick slices run along the shaft instead of across it."""

    code = "slices-along-shaft"

    def __init__(self, *, side: str, spacing_mm: float) -> None:
        super().__init__(
            f"The slices run along the shaft of the {side} femur and are {spacing_mm:.1f} mm "
            f"apart, which blurs its walls. Give the axial reconstruction."
        )
        self.side, self.spacing_mm = side, spacing_mm


class SideContradictionError(CanalMorphError):
    """Two femora claim one side, or the sides are crossed."""

    code = "side-contradiction"

    def __init__(self, *, source: str) -> None:
        super().__init__(
            f"The positions of the femora in '{source}' contradict their sides, so that left and "
            f"right cannot be told. Check the patient orientation of the scan."
        )
        self.source = source


class ReadError(CanalMorphError):
    """An input that cannot be read as a CT volume; the base of the reasons of the stage `read`.

    Parameters
    ----------
    file : str
        The file or folder, relative to the input that was given.
    detail : str
        What was found there, a whole sentence.
    tag : str
        The DICOM tag or header field at fault, where there is one.
    """

    code = "unreadable"
    #: What the technician can do about it.
    remedy: ClassVar[str] = "Export the scan again."

    def __init__(self, *, file: str, detail: str, tag: str = "") -> None:
        place = f"{file} [{tag}]" if tag else file
        super().__init__(f"{place}: {detail} {self.remedy}")
        self.file, self.detail, self.tag = file, detail, tag


class InputNotFoundError(ReadError):
    """The path that was given does not exist or may not be opened."""

    code = "not-found"
    remedy = "Check the path and the right to read it."


class NoImagesError(ReadError):
    """A folder or an archive holds nothing that could be a scan."""

    code = "no-images"
    remedy = "Give the folder that holds the DICOM files, or a NIfTI, NRRD or MetaImage file."


class NoCtSeriesError(ReadError):
    """An input holds images, and none that could be measured."""

    code = "no-ct-series"
    remedy = "Give the folder of the thin-slice CT series."


class NotAnImageError(ReadError):
    """A file is none of the formats that are read."""

    code = "not-an-image"
    remedy = "Give DICOM, NIfTI, NRRD or MetaImage files, or a zip of them."


class ArchiveUnreadableError(ReadError):
    """A zip is damaged, encrypted or not a zip."""

    code = "archive-unreadable"
    remedy = "Unpack it by hand and give the folder, or make the archive again without a password."


class ArchiveUnsafeError(ReadError):
    """A zip holds an entry that climbs out of its folder or would fill the disk."""

    code = "archive-unsafe"
    remedy = "Nothing was read from it; ask the sender for a plain archive."


class TruncatedFileError(ReadError):
    """A file ends before the data that its header declares."""

    code = "truncated-file"
    remedy = "The transfer was cut short: send the file again from the archive or the scanner."


class CorruptFileError(ReadError):
    """A file's header or its compressed data cannot be decoded."""

    code = "corrupt-file"
    remedy = "Send the file again from the archive or the scanner."


class TooLargeError(ReadError):
    """A file declares more data than the set limit, or than the file could hold."""

    code = "too-large"
    remedy = "Check the header; for a scan that is really this large raise 'max_voxels'."


class MissingTagError(ReadError):
    """A tag that the geometry or the HU scale needs is absent."""

    code = "missing-tag"
    remedy = "Export the original images again with all their tags; the value is never guessed."


class MalformedTagError(ReadError):
    """A tag holds a value that is not what its type allows."""

    code = "malformed-tag"
    remedy = "Export the original images again, or have the writing system put right."


class MixedPatientsError(ReadError):
    """One series holds images of more than one patient."""

    code = "mixed-patients"
    remedy = "Separate the patients before measuring; check the de-identification that was used."


class ConflictingCopiesError(ReadError):
    """Two files carry the same instance UID and differ in their pixels or place."""

    code = "conflicting-copies"
    remedy = "Keep only the right file of each pair."


class RepeatedPositionsError(ReadError):
    """Several slices lie at one position and nothing in the headers tells them apart."""

    code = "repeated-positions"
    remedy = "Export each phase or reconstruction as a series of its own."


class MissingSlicesError(ReadError):
    """Slices are missing between the first and the last."""

    code = "missing-slices"
    remedy = "Send the whole series again; the gap is never bridged by a larger spacing."


class UnevenSpacingError(ReadError):
    """The slices of one volume do not lie at equal distances."""

    code = "uneven-spacing"
    remedy = "Export one reconstruction with a constant slice increment."


class TiltedGantryError(ReadError):
    """The stack of slices is sheared against the slices' normal."""

    code = "tilted-gantry"
    remedy = "Scan without tilt, or give a series that was resampled to a right-angled grid."


class NotOrthogonalError(ReadError):
    """The axes of the grid are not at right angles or not of unit length."""

    code = "not-orthogonal"
    remedy = "Resample the image to a right-angled grid first."


class NoOrientationError(ReadError):
    """The file does not say how its axes lie in the patient."""

    code = "no-orientation"
    remedy = "Convert it again from DICOM with the orientation kept; a side is never guessed."


class ContradictoryOrientationError(ReadError):
    """Two statements of orientation or size in one header contradict each other."""

    code = "contradictory-orientation"
    remedy = "Convert it again from DICOM, or say which transform counts ('nifti_transform')."


class TooFewSlicesError(ReadError):
    """The volume has too few slices to measure a femur."""

    code = "too-few-slices"
    remedy = "Give the whole thin-slice series."


class NotThreeDimensionalError(ReadError):
    """The image has not exactly three dimensions, or more than one value a voxel."""

    code = "not-3d"
    remedy = "Give one volume a file."


class ImplausibleVoxelError(ReadError):
    """The voxel size is not that of a CT of a thigh."""

    code = "implausible-voxel-size"
    remedy = "Check the unit of the spacing in the header: millimetres are meant."


class NoPositionsError(ReadError):
    """A multi-frame object gives no position for its frames."""

    code = "no-frame-positions"
    remedy = "Export it as single slices or as enhanced CT; a slice thickness is not a spacing."


class UnsupportedPixelsError(ReadError):
    """The pixel layout is not that of a CT image."""

    code = "unsupported-pixels"
    remedy = "Export the original CT images with one 16-bit value a pixel."


class UnsupportedSyntaxError(ReadError):
    """No decoder for the transfer syntax is at hand."""

    code = "unsupported-syntax"
    remedy = "Install the decoder, or export the series uncompressed (Explicit VR Little Endian)."


class UnsupportedEncodingError(ReadError):
    """A research format uses an encoding that is not read."""

    code = "unsupported-encoding"
    remedy = "Save it again as raw or gzip data in one file."


class DetachedDataError(ReadError):
    """A header points to data in another file that must not or cannot be read."""

    code = "detached-data"
    remedy = "Save header and data in one file, or keep the data file beside its header."


class NotHounsfieldError(ReadError):
    """The values are not Hounsfield units."""

    code = "not-hounsfield"
    remedy = "Give the original CT with its rescale values; units are never guessed."


class OnlyAirError(ReadError):
    """The volume holds no tissue."""

    code = "only-air"
    remedy = "Give the series that shows the patient."


class NoBoneError(ReadError):
    """The volume holds no bone."""

    code = "no-bone"
    remedy = "Give a series that shows the femur."


class ResultsFolderError(CanalMorphError):
    """A folder that cannot take results; the base of its reasons.

    Parameters
    ----------
    folder : str
        The folder as the user named it.
    """

    code = "results-folder"
    #: What is wrong and what to do, after the folder's name.
    sentence: ClassVar[str] = "cannot take results; name another folder."

    def __init__(self, *, folder: str) -> None:
        super().__init__(f"{folder} {self.sentence}")
        self.folder = folder


class ResultsInsideInputError(ResultsFolderError):
    """The results would be written among the scans."""

    code = "results-inside-input"
    sentence = "lies inside an input; name a results folder outside the scans."


class ResultsForeignFolderError(ResultsFolderError):
    """The folder holds something else than results."""

    code = "results-foreign-folder"
    sentence = "exists, is not empty and holds no results of canalmorph; name a new folder."


class ResultsBusyError(ResultsFolderError):
    """Another run writes to the folder."""

    code = "results-busy"
    sentence = "is in use by another run; wait for its end or name another folder."


class ResultsNotWritableError(ResultsFolderError):
    """The folder cannot be made or written."""

    code = "results-not-writable"
    sentence = "cannot be written; check the right to write there and the space on the disk."


class ResultsOtherKeyError(ResultsFolderError):
    """The folder's case names were made with another key."""

    code = "results-other-key"
    sentence = (
        "was made with another case key, so that the same scan would get two names; give the "
        "same --case-key, or name a new folder."
    )


class CaseKeyUnusableError(CanalMorphError):
    """The file that should hold the case key holds none."""

    code = "case-key-unusable"

    def __init__(self, *, file: str, shortest_bytes: int) -> None:
        super().__init__(
            f"{file} is no case key: it must be a file of at least {shortest_bytes} bytes that "
            "can be read; make one from random bytes and keep it secret."
        )
        self.file, self.shortest_bytes = file, shortest_bytes


class RecordUnreadableError(CanalMorphError):
    """A case's result.json cannot be read back.

    Parameters
    ----------
    file : str
        The record, relative to the results folder.
    detail : str
        What was found, a whole sentence.
    """

    code = "record-unreadable"

    def __init__(self, *, file: str, detail: str) -> None:
        super().__init__(f"{file}: {detail} Delete the case's folder and measure its scan again.")
        self.file, self.detail = file, detail
