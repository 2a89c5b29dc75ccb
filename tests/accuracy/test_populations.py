"""Cohorts with published differences between groups: measured, the differences are there.

By hand: ``python -m pytest -m slow -s tests/accuracy/test_populations.py``, some ten minutes.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pytest

from canalmorph.model.results import FemurResult
from canalmorph.pipeline import Settings, measure_scan
from canalmorph_phantoms.build import build_scan
from canalmorph_phantoms.populations import (
    Person,
    draw_ageing_cohort,
    draw_published_cohort,
    image_person,
)

pytestmark = pytest.mark.slow
#: Ratios of the mean widths at two levels, by population: Caucasian and Chinese femora of one CT
#: study, 508 and 141; beside each, what half a unit of the widths' last printed digit makes of it.
PUBLISHED_RATIOS = {
    ("caucasian", 20.0, -80.0): (43.7, 13.5),
    ("caucasian", 20.0, -40.0): (43.7, 16.7),
    ("caucasian", 20.0, -20.0): (43.7, 20.6),
    ("chinese", 20.0, -80.0): (43.1, 14.4),
    ("chinese", 20.0, -40.0): (43.1, 17.0),
    ("chinese", 20.0, -20.0): (43.1, 20.6),
}
#: Half a unit of the last printed digit. [mm]
ROUNDED_MM = 0.05


@dataclass
class Group:
    femora: list[FemurResult] = field(default_factory=list)

    def list_values(self, column: str) -> np.ndarray:
        return np.array([femur.indices.values[column].value for femur in self.femora])

    def read_profile(self, column: str, level_mm: float) -> tuple[np.ndarray, np.ndarray]:
        """Return each femur's value and uncertainty at a level."""
        found = []
        for femur in self.femora:
            profile = femur.profile
            order = np.argsort(profile.levels_mm)
            at = [
                np.interp(level_mm, profile.levels_mm[order], values[column][order])
                for values in (profile.columns, profile.uncertainties)
            ]
            found.append(at)
        values, u = np.array(found).T
        return values, u


def measure_groups(people: Iterable[Person]) -> dict[str, Group]:
    groups: dict[str, Group] = defaultdict(Group)
    for person in people:
        volume = build_scan(image_person(person)).volume
        case = measure_scan(volume, Settings(), case_id=person.name).case
        (femur,) = case.femora
        groups[person.group].femora.append(femur)
    return groups


def test_two_populations_have_their_published_ratios() -> None:
    groups = measure_groups(draw_published_cohort())
    print()
    ratios = {}
    for (name, high, low), (above, below) in PUBLISHED_RATIOS.items():
        means, shares = [], []
        for level in (high, low):
            values, u = groups[name].read_profile("canal_ml_mm", level)
            means.append(values.mean())
            # What femora err alone falls with their number; taken whole where it is shared.
            shares.append(u.mean() / values.mean())
        ratio = means[0] / means[1]
        ratios[name, low] = ratio
        rounded = np.hypot(ROUNDED_MM / above, ROUNDED_MM / below)
        u_ratio = ratio * np.hypot(np.linalg.norm(shares), rounded / np.sqrt(3))
        print(
            f"{name:10} LT{high:+.0f} / LT{low:+.0f}: {ratio:.3f} +- {u_ratio:.3f}, "
            f"published {above / below:.3f}"
        )
        assert ratio == pytest.approx(above / below, abs=2 * u_ratio)
        # The uncertainty must be small enough to tell the populations apart where print does.
        assert u_ratio < 0.01 * ratio
    assert ratios["caucasian", -80.0] - ratios["chinese", -80.0] > 0.2
    assert ratios["caucasian", -40.0] > ratios["chinese", -40.0]


def estimate_difference(one: np.ndarray, other: np.ndarray) -> tuple[float, float]:
    """Return the difference of two groups' means, and its standard error."""
    error = np.sqrt(one.var(ddof=1) / len(one) + other.var(ddof=1) / len(other))
    return float(other.mean() - one.mean()), float(error)


def test_canals_age_as_published() -> None:
    """Noble 1995: women's canals widen and lose flare, men's do not; men's bones are wider."""
    groups = measure_groups(draw_ageing_cohort())
    changes = {
        (sex, column): estimate_difference(
            *(groups[f"{sex} {band}"].list_values(column) for band in ("40-60", "60-90"))
        )
        for sex in "FM"
        for column in ("isthmus_canal_ml_mm", "cfi_ml", "cti_ml_isthmus")
    }
    print()
    for (sex, column), (change, error) in changes.items():
        print(f"{sex} {column}: {change:+.3f}, standard error {error:.3f}")
    wider, error = changes["F", "isthmus_canal_ml_mm"]
    assert wider > 3 * error
    for column in ("cfi_ml", "cti_ml_isthmus"):
        lost, error = changes["F", column]
        assert lost < -3 * error, column
    for column in ("isthmus_canal_ml_mm", "cfi_ml"):
        change, error = changes["M", column]
        assert abs(change) < 2 * error, column
    for column, (low, high) in {"outer_ml_mm": (1.14, 1.19), "canal_ml_mm": (1.11, 1.24)}.items():
        means = {}
        for sex in "FM":
            values = [
                groups[f"{sex} {band}"].read_profile(
                    column,
                    float(groups[f"{sex} {band}"].list_values("isthmus_level_mm").mean()),
                )[0]
                for band in ("40-60", "60-90")
            ]
            means[sex] = np.concatenate(values).mean()
        print(f"men / women, {column}: {means['M'] / means['F']:.3f}, published {low} to {high}")
        assert low <= means["M"] / means["F"] <= high
