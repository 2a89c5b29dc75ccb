"""Codes of doubt: what was odd in the files, about a femur, and about a section.

A number that carries one was measured; the sentence says what is in doubt and what to do.
"""

from canalmorph.model.code import Code, CodeKind


def _scan(name: str, meaning: str, action: str, *, again: bool = False) -> Code:
    return Code(name=name, kind=CodeKind.SCAN_WARNING, meaning=meaning, action=action, again=again)


def _femur(name: str, meaning: str, action: str, *, again: bool = False) -> Code:
    return Code(name=name, kind=CodeKind.FEMUR_WARNING, meaning=meaning, action=action, again=again)


def _flag(name: str, meaning: str, action: str) -> Code:
    return Code(name=name, kind=CodeKind.QUALITY_FLAG, meaning=meaning, action=action)


SCAN_WARNINGS = (
    _scan(
        "duplicate-files",
        "Identical copies of files were left out.",
        "Nothing; the volume is whole.",
    ),
    _scan(
        "odd-slices-left-out",
        "Slices of another orientation, size or kind in the same series were left out.",
        "Check on the pictures that the volume is the one that was meant.",
    ),
    _scan(
        "split-series",
        "One series held several volumes; they were told apart by acquisition.",
        "Check that the phase or block that was measured is the one that was meant.",
    ),
    _scan(
        "split-at-gap",
        "One series held blocks more than 20 mm apart; each was taken as a volume of its own.",
        "Where the patient was scanned in one, send the series again: slices are missing.",
        again=True,
    ),
    _scan(
        "gap-in-slices",
        "Slices are missing within the scan; what lies there is blank.",
        "Send the series again from the archive.",
        again=True,
    ),
    _scan(
        "slices-thinned",
        "A part of the series had closer slices; those between the wider spacing were left out.",
        "Nothing, or reconstruct all of it with the closer spacing.",
    ),
    _scan(
        "tilt-undone",
        "The gantry was tilted; slices were moved in their own planes to their true places.",
        "Nothing; compare the outlines with the pictures.",
    ),
    _scan(
        "series-uid-per-slice",
        "Each slice carried a series UID of its own; they were joined by geometry.",
        "Have the system that wrote the files put right.",
    ),
    _scan(
        "damaged-file-beside",
        "A file among the slices is damaged or no image and was left out.",
        "If the scan seems shorter than it was taken, send it again from the archive.",
        again=True,
    ),
    _scan(
        "no-preamble",
        "Files lack the DICOM preamble.",
        "Nothing; the data set was read whole.",
    ),
    _scan(
        "lossy-compression",
        "The pixels were compressed with loss, which blurs thin cortex.",
        "Give the original images where they are at hand.",
        again=True,
    ),
    _scan(
        "stray-high-bits",
        "Bits above the stored ones were masked; they may hold burnt-in text.",
        "Look at the images for a name before passing them on.",
    ),
    _scan(
        "padding-in-tissue",
        "The padding value lies in the range of tissue and was not masked.",
        "Check on the pictures that nothing is missing beside the bone.",
    ),
    _scan(
        "values-clipped",
        "Values beyond 16 bits were clipped.",
        "Check the scan for metal.",
    ),
    _scan(
        "text-undecodable",
        "A text in the header could not be decoded whole.",
        "Compare the name on the page with the patient.",
    ),
    _scan(
        "no-dicom-results",
        "No DICOM objects were written: the files lack a UID that objects must refer to (of study, "
        "series, image or frame of reference).",
        "Nothing for the numbers; for the objects, export the scan again with all its tags.",
    ),
    _scan(
        "non-finite-voxels",
        "Voxels that are no numbers were set to air.",
        "Check on the pictures that none lies in or beside the bone.",
    ),
    _scan(
        "unit-not-stated",
        "The header does not state the unit of length; millimetres were taken.",
        "Check one length, such as the head's diameter.",
    ),
    _scan(
        "orthonormalised",
        "The axes missed right angles by less than 0.001 and were corrected.",
        "Nothing; lengths change by less than rounding.",
    ),
    _scan(
        "below-air",
        "Values below air were raised to -1024 HU.",
        "Nothing; they lie outside the patient.",
    ),
    _scan(
        "values-jump",
        "Neighbouring slices differ by far more than the rest: a slice of another scale, a damaged "
        "one, or movement.",
        "Page through the scan and send it again if a slice stands out; no number beside it can be "
        "trusted.",
        again=True,
    ),
    _scan(
        "clipped-high-values",
        "Many voxels hold the same highest value: metal is likely.",
        "Look at the pictures; near metal no number can be trusted.",
    ),
)

FEMUR_WARNINGS = (
    _femur(
        "head_at_lt20",
        "The head's circle is met 20 mm above the lesser trochanter.",
        "The flare index hangs on where the width is said to end there: do not compare it with "
        "one read by another rule.",
    ),
    _femur(
        "thin_cortex_at_lt20",
        "The cortex is thin 20 mm above the lesser trochanter; its edges there rest on the density "
        "of thick cortex.",
        "Compare the outline with the picture.",
    ),
    _femur(
        "table_contradicts_position",
        "The table lies on the other side of the patient than the stated position (supine or "
        "prone) says: left and right are not certified.",
        "Check the sides, and the position that was entered at the scanner.",
    ),
    _femur(
        "metal",
        "Metal or clipped values lie in or near this femur; within 20 mm of them numbers are "
        "blank.",
        "Scan with less metal in the field, or measure the other side.",
        again=True,
    ),
    _femur(
        "metal_streaks",
        "Streaks of metal elsewhere in the scan cross this femur's surroundings; edges there may "
        "have moved by half a millimetre.",
        "Look at the pictures in those slices; reconstruct with the reduction of metal artefacts.",
        again=True,
    ),
    _femur(
        "lt_uncertain",
        "The lesser trochanter is not clear; every level counts from it.",
        "Check it on the AP picture.",
    ),
    _femur(
        "neck_not_found",
        "No neck axis was found; the plane of ML and AP is not the neck's.",
        "Do not compare ML and AP numbers with those of femora with a neck.",
    ),
    _femur(
        "condyles_not_found",
        "The scan reaches the knee, but no two whole condyles apart from the other bones were "
        "found; torsion and length are blank.",
        "Check that the knee is whole in view and free of metal.",
        again=True,
    ),
    _femur(
        "knee_from_second_block",
        "Hip and knee were scanned apart.",
        "Torsion and length hold only if the leg did not move in between: ask who scanned.",
    ),
    _femur(
        "canal_shape_depends_on_rotation",
        "Turned by 10 degrees about its shaft, this femur would fall into another class of canal "
        "shape.",
        "Do not expect the same class from a film taken slightly turned.",
    ),
    _femur(
        "shaft_not_in_view",
        "The scan ends under the hip: head and trochanters are measured, and all that needs the "
        "shaft's axis is blank.",
        "For the canal scan to at least 150 mm below the lesser trochanter.",
        again=True,
    ),
    _femur(
        "head_not_in_view",
        "The femoral head is not in view or was not found: head and neck are blank, and ML and AP "
        "are the scanner's.",
        "For head and neck scan from above the hip joint.",
        again=True,
    ),
    _femur(
        "slices_missing_at_head",
        "Slices are missing through the head or the neck; their numbers are blank and the canal "
        "is measured in another plane.",
        "Send the series again from the archive.",
        again=True,
    ),
    _femur(
        "head_not_separated",
        "Head and socket could not be told apart, as in a fused or bone-on-bone joint: head and "
        "neck are blank, and ML and AP are the scanner's.",
        "Measure head and neck by hand.",
    ),
    _femur(
        "head_not_round",
        "Too little of the head's surface lies on one sphere: the sphere given is that of its "
        "whole articular surface, its centre, and so neck, offset and torsion, known to about "
        "1 mm only.",
        "Check the circle on the AP picture.",
    ),
    _femur(
        "neck_methods_differ",
        "Two ways to find the neck's axis differ by more than 5 degrees: the neck's shape is "
        "unusual, and its angle hangs on the method.",
        "Check the neck on the pictures, and name the method with the angle.",
    ),
    _femur(
        "head_size_unusual",
        "The head's diameter lies outside 38 to 56 mm, which healthy adults have.",
        "Check it on the pictures.",
    ),
    _femur(
        "neck_shaft_angle_unusual",
        "The neck-shaft angle lies outside the published reference range of 114 to 140 degrees.",
        "Check it on the pictures.",
    ),
    _femur(
        "femoral_offset_unusual",
        "The offset lies more than 3 SD from the published mean (22.5 to 63.3 mm).",
        "Check it on the pictures.",
    ),
    _femur(
        "head_height_unusual",
        "The head's centre lies more than 27.1 mm below or 9.8 mm above the tip of the greater "
        "trochanter, which none of 519 healthy hips did.",
        "Check both on the pictures.",
    ),
    _femur(
        "torsion_unusual",
        "Torsion lies outside -23.6 to 48.7 degrees, the range of 1,070 femora.",
        "Check neck and condyles on the pictures, and whether the leg moved between two blocks.",
    ),
    _femur(
        "bow_unusual",
        "The radius of the bow lies more than 3 SD from the published mean (327 to 1487 mm).",
        "Look at the lateral picture: the shaft is unusually straight or bent.",
    ),
    _femur(
        "isthmus_width_unusual",
        "The narrowest canal lies outside 2.9 to 19.5 mm, 3 SD from published means.",
        "Check the outline at the isthmus on the page.",
    ),
    _femur(
        "isthmus_height_unusual",
        "The isthmus lies at less than 31 or more than 69 % of the femur's height, beyond 3 SD of "
        "the published mean.",
        "Check the widths along the shaft on the page.",
    ),
    _femur(
        "femur_length_unusual",
        "The femur's length lies more than 3 SD from published means (338.6 to 525.2 mm).",
        "Check the unit of length in the file, and whether the scan is of an adult.",
    ),
    _femur(
        "cortical_index_unusual",
        "The cortical thickness index ML at LT-100 lies outside 0.18 to 0.83, which holds broken, "
        "arthritic and healthy hips.",
        "Check the outlines at LT-100 on the page.",
    ),
    _femur(
        "isthmus_not_in_view",
        "The canal still narrows where the scan ends.",
        "For the flare index scan to the middle of the thigh; its lower bound is given.",
        again=True,
    ),
    _femur(
        "isthmus_ambiguous",
        "The canal has two narrow places; which of them ends the shaft axis was a choice that "
        "moves the widths near the trochanter.",
        "Check the shaft axis on the AP picture.",
    ),
    _femur(
        "shaft_bent",
        "The shaft bends within a short stretch more than a bow does, as after a fracture that "
        "healed at an angle; the numbers hold for the axis above it.",
        "Look at the pictures; length, torsion and the axes of the leg are those of the bent bone.",
    ),
    _femur(
        "shaft_not_continuous",
        "The femur is not continuous: its shaft has a step, a gap, or another fragment beside it, "
        "as in a displaced fracture. Only what lies above is measured.",
        "Look at the pictures; length, torsion and the axes of the leg are blank.",
    ),
    _femur(
        "shaft_not_followed",
        "The shaft could not be followed as far down as the scan shows it: a fracture, metal or "
        "contrast may be in the way.",
        "Look at the pictures.",
    ),
    _femur(
        "density_assumed",
        "No wall is thick enough to read the density of cortex from this scan; a usual one was "
        "taken and the uncertainties widened.",
        "Scan with thinner slices, or use the numbers with their wide uncertainty.",
        again=True,
    ),
    _femur(
        "porous_endosteum",
        "The inner cortex is porous: the canal is measured to the marrow.",
        "The width within dense cortex stands in the section table: say which one is meant.",
    ),
    _femur(
        "canal_filled",
        "The canal holds something nearly as dense as cortex, such as cement, at some levels; its "
        "numbers there are blank.",
        "Look at the pictures; measure a scan from before it was put in.",
    ),
    _femur(
        "narrow_canal",
        "Parts of the canal are too narrow for this scan's blur; they are blank.",
        "Scan with thinner slices and a sharper kernel.",
        again=True,
    ),
    _femur(
        "short_shaft_axis",
        "Little of the shaft is in view, so its axis is less sure.",
        "Scan to at least 150 mm below the lesser trochanter.",
        again=True,
    ),
    _femur(
        "fracture_marked",
        "A person marked a fracture of the shaft; nothing below it is measured.",
        "Look at the pictures; length, torsion and the axes of the leg are blank.",
    ),
    _femur(
        "neck_fracture_marked",
        "A person marked a fracture of the neck or the head: what hangs on the head is blank, and "
        "ML is not taken from the neck.",
        "Look at the pictures; head, neck, offset and torsion are not those of the femur before it "
        "broke.",
    ),
    _femur(
        "correction_unfit",
        "A mark that a person set no longer fits the femur as it is measured now; it was left out.",
        "Open the case on the review page, and set or withdraw the mark.",
    ),
)

QUALITY_FLAGS = (
    _flag(
        "thin_cortex",
        "The wall is thinner than three standard widths of the blur: it rests on the density.",
        "Use its thickness with its uncertainty.",
    ),
    _flag(
        "touches_edge",
        "The outline meets the edge of the scan, so that part of it was never imaged.",
        "Reconstruct with a larger field of view.",
    ),
    _flag(
        "outline_incomplete",
        "More than a tenth of the outline had no edge that could be trusted; its widths are blank.",
        "Look at the section on the page.",
    ),
    _flag(
        "head_in_section",
        "The section reaches the head: ML widths end medially where the head's circle begins, and "
        "areas, walls, smallest and largest widths, which are defined by no such line, are blank.",
        "Compare only with widths read by the same rule.",
    ),
    _flag(
        "metal",
        "Metal or clipped values lie within 20 mm of the section; its numbers are blank.",
        "Measure away from the metal.",
    ),
    _flag(
        "narrow_canal",
        "The canal is so narrow that the blur fills it; its numbers and the walls are blank.",
        "Scan with thinner slices and a sharper kernel.",
    ),
    _flag(
        "porous_endosteum",
        "The inner cortex is porous: the canal is where the marrow begins.",
        "The width within the dense cortex stands beside it.",
    ),
    _flag(
        "uncertain",
        "A number is known too badly to be given: its uncertainty is too large a share of it.",
        "Scan with thinner slices or less noise.",
    ),
    _flag(
        "no_shaft_axis",
        "Too little of the shaft is in view for its axis: the section has no meaning and is blank.",
        "Scan to at least 150 mm below the lesser trochanter.",
    ),
    _flag(
        "filled_canal",
        "The canal holds something nearly as dense as cortex, such as cement; its numbers and the "
        "walls are blank.",
        "Look at the section on the page.",
    ),
    _flag(
        "missing_slices",
        "Slices are missing where the section lies; its numbers are blank.",
        "Send the series again from the archive.",
    ),
    _flag(
        "hand_drawn",
        "A person drew the outline of the section, or of one within 10 mm.",
        "Nothing; the uncertainty is that of a hand.",
    ),
)
