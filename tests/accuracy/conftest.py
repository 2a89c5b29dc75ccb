"""Measuring scans whose truth is known, and the table of errors against the promised bars."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pytest

from canalmorph.errors import CanalMorphError
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import Settings, measure_scan


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is true of one femur: numbers by column name, and points in patient space [mm]."""

    side: str
    values: Mapping[str, float]
    lt_mm: tuple[float, float, float]
    up: tuple[float, float, float]
    head_mm: tuple[float, float, float]
    cfi_bound_only: bool = False


@dataclass(slots=True, kw_only=True)
class ErrorTable:
    """Errors by quantity, gathered over scans; `lines` say what no number says."""

    errors: dict[str, list[float]] = field(default_factory=dict)
    scores: dict[str, list[float]] = field(default_factory=dict)
    lines: list[str] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)

    def add_scan(self, name: str, volume: CtVolume, truths: Iterable[Truth]) -> None:
        """Measure one scan and note the errors of every number that has a truth."""
        by_side = {truth.side: truth for truth in truths}
        try:
            found = measure_scan(volume, Settings(), case_id=name)
        except CanalMorphError as error:
            self.missed += [f"{name} {side}: {error.code}" for side in by_side]
            return
        results = {str(result.side): result for result in found.case.femora}
        aligned = {str(one.cortex.femur.side): one for one in found.aligned}
        self.missed += [f"{name} {side}" for side in by_side if side not in results]
        self.missed += [f"{name} {side}: not there" for side in results if side not in by_side]
        for side in by_side.keys() & results.keys():
            truth, result, one = by_side[side], results[side], aligned[side]
            values = result.indices.values
            for column, true in truth.values.items():
                measured = values[column]
                if measured.value is not None and np.isfinite(true):
                    self._add(column, measured.value - true, measured.u)
            level = (one.lesser_trochanter.apex_lps_mm - np.array(truth.lt_mm)) @ np.array(truth.up)
            self._add("lt_level_mm", float(level), one.lesser_trochanter.level_u_mm)
            head = one.cortex.femur.head
            if head is not None:
                distance = float(np.linalg.norm(head.centre_lps_mm - np.array(truth.head_mm)))
                self._add("head_centre_mm", distance, None)
            cfi, bound = values["cfi_ml"].value, values["cfi_ml_lower_bound"].value
            self.lines.append(
                f"{name:20s} {side:5s} LT {level:+.2f} mm, CFI "
                f"{'-' if cfi is None else f'{cfi:.2f}'}, bound "
                f"{'-' if bound is None else f'{bound:.2f}'}, "
                f"true {truth.values.get('cfi_ml', np.nan):.2f}, {';'.join(result.warnings)}"
            )
            if truth.cfi_bound_only and cfi is not None:
                self.missed.append(f"{name} {side}: a CFI where only a bound is right")

    def _add(self, quantity: str, error: float, u: float | None) -> None:
        self.errors.setdefault(quantity, []).append(error)
        if u:
            self.scores.setdefault(quantity, []).append(error / u)

    def worst(self, quantity: str) -> float:
        """Return the largest absolute error."""
        return float(np.max(np.abs(self.errors[quantity])))

    def bias(self, quantity: str) -> float:
        """Return the mean error."""
        return float(np.mean(self.errors[quantity]))

    def as_text(self) -> str:
        """Return the table: number, bias, spread, worst, and the spread of error over u."""
        rows = [f"{'quantity':44s}{'n':>4s}{'bias':>9s}{'SD':>9s}{'worst':>9s}{'SD of z':>9s}"]
        for quantity, errors in sorted(self.errors.items()):
            scores = self.scores.get(quantity, [])
            spread = f"{np.sqrt(np.mean(np.square(scores))):9.2f}" if scores else " " * 9
            rows.append(
                f"{quantity:44s}{len(errors):4d}{np.mean(errors):9.3f}{np.std(errors):9.3f}"
                f"{np.max(np.abs(errors)):9.3f}{spread}"
            )
        return "\n".join([*self.lines, *(f"MISSED {line}" for line in self.missed), *rows])


@pytest.fixture
def error_table() -> ErrorTable:
    return ErrorTable()


@pytest.fixture(scope="session")
def make_truth() -> type[Truth]:
    return Truth
