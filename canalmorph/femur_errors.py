"""The reasons to refuse a femur, or a scan in which none can be measured."""

from canalmorph.errors import CanalMorphError


class NoFemurError(CanalMorphError):
    """No shaft with a femoral head above it is in view."""

    code = "no-femur"
    remedy = "Give a CT that shows the hip joint and the shaft below it."

    def __init__(self, *, source: str, n_long_bones: int) -> None:
        bones = "one long bone was" if n_long_bones == 1 else f"{n_long_bones} long bones were"
        seen = (
            f"{bones} found in it, none with a femoral head above it"
            if n_long_bones
            else "no long bone was found in it"
        )
        super().__init__(f"'{source}' shows no femur that can be measured: {seen}. {self.remedy}")
        self.source, self.n_long_bones = source, n_long_bones


class FieldOfViewError(CanalMorphError):
    """The field of view cuts a long bone, and what is left shows no femur."""

    code = "bone-outside-view"
    remedy = "Reconstruct the scan with a field of view that holds hip and thigh whole."

    def __init__(self, *, source: str, low_mm: float, high_mm: float) -> None:
        super().__init__(
            f"'{source}' shows no femur that can be measured: its field of view cuts a long bone "
            f"between z {low_mm:.0f} and {high_mm:.0f} mm. {self.remedy}"
        )
        self.source, self.low_mm, self.high_mm = source, low_mm, high_mm


class HeadNotInViewError(CanalMorphError):
    """The femoral head is not in view, and the lesser trochanter alone does not tell the femur."""

    code = "head-not-in-view"
    remedy = "Rescan from the hip joint downwards."

    def __init__(self, *, side: str) -> None:
        super().__init__(
            f"The head of the {side} femur is not in view, and no bump on the shaft is clearly its "
            f"lesser trochanter. {self.remedy}"
        )
        self.side = side


class LesserTrochanterError(CanalMorphError):
    """The lesser trochanter cannot be told, so that no level has a meaning."""

    code = "lesser-trochanter-not-found"
    remedy = "Check that it is in view and not removed or fractured."

    def __init__(self, *, side: str, prominence_mm: float) -> None:
        super().__init__(
            f"The lesser trochanter of the {side} femur cannot be told: the largest bump stands "
            f"out by {prominence_mm:.1f} mm. {self.remedy}"
        )
        self.side, self.prominence_mm = side, prominence_mm


class SlicesMissingError(CanalMorphError):
    """Slices are missing where the lesser trochanter lies, so that no level has a meaning."""

    code = "slices-missing-at-trochanter"
    remedy = "Send the series again from the archive; slices were lost on the way."

    def __init__(self, *, side: str) -> None:
        super().__init__(
            f"Slices are missing at the lesser trochanter of the {side} femur or just above it. "
            f"{self.remedy}"
        )
        self.side = side


class ShaftTooShortError(CanalMorphError):
    """Too little of the shaft is in view for an axis."""

    code = "shaft-too-short"
    remedy = "Rescan to at least 150 mm below the lesser trochanter."

    def __init__(self, *, side: str, length_mm: float) -> None:
        super().__init__(
            f"Only {length_mm:.0f} mm of the {side} femur's shaft below the lesser trochanter is "
            f"in view, too little for its axis. {self.remedy}"
        )
        self.side, self.length_mm = side, length_mm


class CanalNotFollowedError(CanalMorphError):
    """The shaft is in view, but its outlines cannot be followed."""

    code = "canal-not-followed"
    remedy = "Check the scan by eye at that place."

    def __init__(self, *, side: str, cause: str) -> None:
        super().__init__(
            f"The canal of the {side} femur cannot be followed below the lesser trochanter: "
            f"{cause}. {self.remedy}"
        )
        self.side, self.cause = side, cause


class HiddenByMetalError(CanalMorphError):
    """Metal lies where the femur's landmarks or its canal are."""

    code = "hidden-by-metal"
    remedy = "Measure the other side, or a scan from before the metal was there."

    def __init__(self, *, side: str, part: str) -> None:
        super().__init__(
            f"Metal lies in or near the {part} of the {side} femur: no number within 20 mm of it "
            f"can be trusted. {self.remedy}"
        )
        self.side, self.part = side, part


class FractureAtTrochanterError(CanalMorphError):
    """A person marked a fracture at or above the lesser trochanter."""

    code = "fracture-at-trochanter"
    remedy = "Measure the other side, or a scan from before the fracture."

    def __init__(self, *, side: str) -> None:
        super().__init__(
            f"A fracture is marked at or above the lesser trochanter of the {side} femur: head, "
            f"neck and levels belong to several pieces. {self.remedy}"
        )
        self.side = side


class SideDroppedError(CanalMorphError):
    """A person left this femur out."""

    code = "side-dropped"
    remedy = "To take it in again, withdraw that mark on the review page."

    def __init__(self, *, side: str) -> None:
        super().__init__(f"The {side} femur was left out by a person. {self.remedy}")
        self.side = side


class SlicesAlongShaftError(CanalMorphError):
    """Thick slices run along the shaft instead of across it."""

    code = "slices-along-shaft"
    remedy = "Give the axial reconstruction."

    def __init__(self, *, side: str, spacing_mm: float) -> None:
        super().__init__(
            f"The slices run along the shaft of the {side} femur and are {spacing_mm:.1f} mm "
            f"apart, which blurs its walls. {self.remedy}"
        )
        self.side, self.spacing_mm = side, spacing_mm


class SideContradictionError(CanalMorphError):
    """Two femora claim one side, or the sides are crossed."""

    code = "side-contradiction"
    remedy = "Check the patient orientation of the scan."

    def __init__(self, *, source: str) -> None:
        super().__init__(
            f"The positions of the femora in '{source}' contradict their sides, so that left and "
            f"right cannot be told. {self.remedy}"
        )
        self.source = source


class RegistrationContradictionError(CanalMorphError):
    """The anatomy lies otherwise than the scan's coordinates say, so that sides are not certain."""

    code = "registration-contradicts-anatomy"
    remedy = (
        "Check the patient position that was entered at the scanner (head or feet first, supine or "
        "prone), have it put right, and send the scan again."
    )

    def __init__(self, *, source: str, finding: str) -> None:
        super().__init__(
            f"The coordinates of '{source}' contradict the anatomy: {finding}. Left and right are "
            f"not certified. {self.remedy}"
        )
        self.source, self.finding = source, finding
