"""What was odd yet harmless while reading: codes and their sentences, for survey and page."""

#: Odd yet harmless: the code and what it says.
READ_WARNINGS = {
    "duplicate-files": "Identical copies of files were left out.",
    "odd-slices-left-out": "Slices of another orientation in the same series were left out.",
    "split-series": "One series held several volumes; they were told apart by acquisition.",
    "series-uid-per-slice": "Each slice carried a series UID of its own; joined by geometry.",
    "damaged-file-beside": "A file among the slices is damaged or no image and was left out.",
    "no-preamble": "Files lack the DICOM preamble.",
    "lossy-compression": "The pixels were compressed with loss.",
    "stray-high-bits": "Bits above the stored ones were masked; they may hold burnt-in text.",
    "padding-in-tissue": "The padding value lies in the range of tissue and was not masked.",
    "values-clipped": "Values beyond 16 bits were clipped.",
    "text-undecodable": "A text in the header could not be decoded whole.",
    "non-finite-voxels": "Voxels that are no numbers were set to air.",
    "unit-not-stated": "The header does not state the unit of length; millimetres were taken.",
    "orthonormalised": "The axes missed right angles by less than 0.001 and were corrected.",
    "below-air": "Values below air were raised to -1024 HU.",
    "clipped-high-values": "Many voxels hold the same highest value: metal is likely.",
}
