"""Survey and load the one-file research formats: NIfTI, NRRD and MetaImage."""

import hashlib
from typing import BinaryIO

from canalmorph.errors import CorruptFileError, NotAnImageError, ReadError
from canalmorph.model.volume import CtVolume, ScanFacts
from canalmorph.read.found import FilePlan, SeriesFound, describe_grid, refused
from canalmorph.read.gate import check_grid
from canalmorph.read.metaimage import looks_like_metaimage, parse_metaimage_header
from canalmorph.read.nifti import looks_like_nifti, pack_probe, read_nifti_header
from canalmorph.read.nrrd import looks_like_nrrd, parse_nrrd_header
from canalmorph.read.payload import check_declared_size, decode_voxels
from canalmorph.read.raster import RasterFile, voxels_to_hu
from canalmorph.read.settings import ReadSettings
from canalmorph.read.sources import FileEntry, FileOpener

#: A text header longer than this is none. [bytes]
_LONGEST_HEADER = 1 << 20


def looks_like_raster(head: bytes) -> bool:
    """Return whether a file that starts like this is of one of the three formats."""
    return bool(_kind_of(head))


def survey_raster(
    stream: BinaryIO, head: bytes, entry: FileEntry, opener: FileOpener, settings: ReadSettings
) -> SeriesFound:
    """Return the line of one file, from its header alone."""
    file_format = _kind_of(head).partition(".")[0]
    try:
        raster = _read_header(stream, head, entry, opener, settings).header
        check_grid(raster.shape, raster.index_to_lps_mm, entry.name, settings)
    except ReadError as error:
        return refused(entry.name, file_format, error)
    return SeriesFound(
        source=entry.name,
        file_format=file_format,
        status="measurable",
        warnings=raster.warnings,
        plan=FilePlan(entry=entry),
        **describe_grid(raster.index_to_lps_mm, raster.shape),
    )


def load_raster(found: SeriesFound, settings: ReadSettings) -> CtVolume:
    """Return the volume of a surveyed file, values not yet checked.

    Raises
    ------
    ReadError
        Naming the file and what is wrong.
    """
    plan = found.plan
    assert isinstance(plan, FilePlan)
    with FileOpener() as opener, opener.open(plan.entry) as stream:
        head = stream.read(4096)
        file = _read_header(stream, head, plan.entry, opener, settings)
        stream.seek(0)
        data = stream.read()
        digest = hashlib.sha256(data)
        if file.data_file:
            data = opener.read(opener.beside(plan.entry, file.data_file))
            digest.update(data)
    # Text headers stand before packed voxels; a packed NIfTI file has its header inside.
    start = 0 if file.whole_packed else file.offset
    stored = decode_voxels(
        memoryview(data)[start:],
        file.encoding,
        file.offset if file.whole_packed else 0,
        file.dtype,
        file.header.shape,
        plan.entry.name,
    )
    voxels, codes = voxels_to_hu(stored, file.slope, file.intercept)
    facts = ScanFacts(
        source=found.source,
        file_format=found.file_format,
        series_key=digest.hexdigest(),
        input_sha256=digest.hexdigest(),
        n_files=2 if file.data_file else 1,
        warnings=tuple(dict.fromkeys(file.header.warnings + codes)),
    )
    return CtVolume(voxels_hu=voxels, index_to_lps_mm=file.header.index_to_lps_mm, facts=facts)


def _kind_of(head: bytes) -> str:
    """Return the format by a file's first bytes, empty for none."""
    if looks_like_nrrd(head):
        return "nrrd"
    if looks_like_metaimage(head):
        return "metaimage"
    if looks_like_nifti(head):
        return "nifti"
    return "nifti.gz" if looks_like_nifti(pack_probe(head)) else ""


def _read_header(
    stream: BinaryIO, head: bytes, entry: FileEntry, opener: FileOpener, settings: ReadSettings
) -> RasterFile:
    kind = _kind_of(head)
    if not kind:
        raise NotAnImageError(file=entry.name, detail="It changed since it was surveyed.")
    if kind.startswith("nifti"):
        return read_nifti_header(stream, entry, kind == "nifti.gz", settings)
    stream.seek(0)
    text = stream.read(_LONGEST_HEADER)
    parse = parse_nrrd_header if kind == "nrrd" else parse_metaimage_header
    try:
        file = parse(text, entry.name)
    except (ValueError, IndexError, OverflowError) as error:
        raise CorruptFileError(
            file=entry.name, detail=f"The header cannot be parsed ({type(error).__name__})."
        ) from None
    data = opener.beside(entry, file.data_file) if file.data_file else entry
    held = data.size - file.offset
    check_declared_size(
        file.header.shape, file.dtype.itemsize, held, file.encoding, entry.name, settings
    )
    return file
