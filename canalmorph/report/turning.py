"""Sentences about torsion, about the plane of ML and AP, and about what rotation does."""

from canalmorph.model.results import CanalIndices, Measurement
from canalmorph.report.numbers import format_measurement

_TORSION = (
    "between the neck axis and the posterior condylar line, seen along the proximal shaft axis; "
    "other methods give up to 11° more or less"
)


def describe_torsion(indices: CanalIndices) -> str:
    """Return the torsion with its method and sign, or why it is not known."""
    torsion = indices.values.get("torsion_deg", Measurement())
    if torsion.value is None:
        why = indices.reasons.get("torsion_deg", "It was not measured.")
        return f"Torsion: not known. {why}"
    way = "anteversion" if torsion.value >= 0 else "retroversion"
    other = indices.values.get("torsion_transepicondylar_deg", Measurement())
    beside = (
        f" Against the line through both epicondyles: {format_measurement(other, 'deg')}."
        if other.known
        else ""
    )
    return f"Torsion: {format_measurement(torsion, 'deg')} ({way}), {_TORSION}.{beside}"


def describe_turning(indices: CanalIndices) -> str:
    """Return how the flare index hangs on the plane; empty where it is not known."""
    values = indices.values
    change = values.get("cfi_ml_rotation_10_deg_change", Measurement())
    if change.value is None:
        return ""
    others = [
        f"{format_measurement(values[f'cfi_ml_{plane}'], '1')} in the {words} plane"
        for plane, words in (("condylar", "condylar"), ("scanner", "scanner's coronal"))
        if values.get(f"cfi_ml_{plane}", Measurement()).known
    ]
    beside = f" It is {' and '.join(others)}." if others else ""
    return (
        "Turning the femur by 10° about its shaft changes the flare index by up to "
        f"{format_measurement(change, '1')}.{beside}"
    )
