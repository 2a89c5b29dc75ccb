"""The reasons to refuse a scan in reading: one class each, with a code and what to do.

The reasons of the stages that measure are in `femur_errors`, those of the results folder in
`results_errors`; `model.codes` lists all of them. A class's docstring is the meaning of its code.
A message may name a file (relative to the input) and a tag, and no patient's identity.
"""

from functools import partial
from typing import Any, ClassVar


class CanalMorphError(Exception):
    """A scan or a femur that cannot be measured.

    Subclasses take keyword-only fields and store each under its own name, so that a worker
    process can send the error back whole.
    """

    code: ClassVar[str] = "error"
    #: What can be done about it: the end of the message, and a column of the list of codes.
    remedy: ClassVar[str] = ""

    def __reduce__(self) -> tuple[Any, ...]:
        """Rebuild from the keyword-only fields, which plain pickling of exceptions cannot."""
        return partial(type(self), **self.__dict__), ()


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
    remedy = "Export the scan again."

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
    """So many slices are missing between the first and the last that no scan is left."""

    code = "missing-slices"
    remedy = "Send the whole series again; a gap is never bridged by a larger spacing."


class UnevenSpacingError(ReadError):
    """The slices of one volume do not lie at equal distances."""

    code = "uneven-spacing"
    remedy = "Export one reconstruction with a constant slice increment."


class TiltedGantryError(ReadError):
    """The stack of slices is sheared by more than a gantry tilts, or otherwise than stated."""

    code = "tilted-gantry"
    remedy = "Give a series without tilt, or one that was resampled to a right-angled grid."


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


class BoneClippedError(ReadError):
    """Values were cut off within the range of bone."""

    code = "bone-clipped"
    remedy = "Give the original CT with its whole range of values."


class OnlyAirError(ReadError):
    """The volume holds no tissue."""

    code = "only-air"
    remedy = "Give the series that shows the patient."


class NoBoneError(ReadError):
    """The volume holds no bone."""

    code = "no-bone"
    remedy = "Give a series that shows the femur."
