"""The report's PDF as a DICOM object, so that it lies beside the scan."""

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import UID, EncapsulatedPDFStorage, ExplicitVRLittleEndian

from canalmorph.export.dicom_context import (
    ObjectContext,
    list_evidence,
    make_patient_and_study,
    make_uid,
)

KIND = "DOC"


def make_pdf_object(context: ObjectContext, pdf: bytes) -> Dataset:
    """Return the report as an Encapsulated PDF.

    Parameters
    ----------
    context : ObjectContext
        The case.
    pdf : bytes
        The file. One of odd length is padded by a byte, and its own length is told.
    """
    told = context.describe_object(KIND, 9103, "Femoral canal report")
    dataset = make_patient_and_study(context.source)
    dataset.SOPClassUID = EncapsulatedPDFStorage
    dataset.SOPInstanceUID = told["sop_instance_uid"]
    dataset.SeriesInstanceUID = told["series_instance_uid"]
    dataset.SeriesNumber, dataset.InstanceNumber = told["series_number"], told["instance_number"]
    dataset.Modality, dataset.SeriesDescription = "DOC", told["series_description"]
    dataset.Manufacturer = told["manufacturer"]
    dataset.ManufacturerModelName = told["manufacturer_model_name"]
    dataset.SoftwareVersions = told["software_versions"]
    dataset.DeviceSerialNumber = told["device_serial_number"]
    dataset.ConversionType = "WSD"
    date, time = told["content_date"], told["content_time"]
    dataset.ContentDate = dataset.InstanceCreationDate = date
    dataset.ContentTime = dataset.InstanceCreationTime = time
    dataset.AcquisitionDateTime = ""
    dataset.BurnedInAnnotation = "NO" if context.deidentified else "YES"
    dataset.DocumentTitle = "Femoral canal measurements; not a diagnosis"
    dataset.ConceptNameCodeSequence = [_name_title()]
    dataset.SourceInstanceSequence = [
        _refer_to(item) for source in context.sources for item in list_evidence(source)
    ]
    dataset.MIMETypeOfEncapsulatedDocument = "application/pdf"
    dataset.EncapsulatedDocument = pdf + b"\0" * (len(pdf) % 2)
    dataset.EncapsulatedDocumentLength = len(pdf)
    dataset.file_meta = _make_meta(dataset)
    return dataset


def _name_title() -> Dataset:
    title = Dataset()
    title.CodeValue, title.CodingSchemeDesignator = "126000", "DCM"
    title.CodeMeaning = "Imaging Measurement Report"
    return title


def _refer_to(image: Dataset) -> Dataset:
    item = Dataset()
    item.ReferencedSOPClassUID = image.SOPClassUID
    item.ReferencedSOPInstanceUID = image.SOPInstanceUID
    return item


def _make_meta(dataset: Dataset) -> FileMetaDataset:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = dataset.SOPClassUID
    meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = UID(make_uid("implementation"))
    return meta
