"""Random femora: the cohort over which stated uncertainties are set against true errors.

Each seed gives one scan of one femur in a small field of view, and always the same one. Ranges are
those of the published shapes and of everyday scanners, wider where the tool must know its limits.
"""

import numpy as np

from canalmorph_phantoms.shapes import CanalDesign, make_shape
from canalmorph_phantoms.spec import (
    FemurShape,
    Harmonics,
    LesserTrochanterShape,
    PhantomScan,
    PlacedFemur,
    Scanner,
    Tissue,
)

#: Share of the scans beyond the promise: thick slices, much noise or thin cortex.
_HARD_SHARE = 0.25


def draw_scan(seed: int) -> PhantomScan:
    """Return the random scan of a seed.

    Parameters
    ----------
    seed : int
        From 0; nearby seeds give unrelated scans.

    Returns
    -------
    PhantomScan
        Named ``cohort_NNNN``; `within_promise` tells whether it is an everyday scan.
    """
    random = np.random.default_rng([20261, seed])
    hard = str(random.choice(["slices", "noise", "thin"])) if random.random() < _HARD_SHARE else ""
    shape = _draw_shape(random, thin=hard == "thin")
    side = "right" if random.random() < 0.5 else "left"
    femur = PlacedFemur(
        side="right" if side == "right" else "left",
        shape=shape,
        adduction_deg=float(random.normal(6.0, 2.5)),
        flexion_deg=float(random.normal(3.0, 3.0)),
        internal_rotation_deg=float(random.normal(0.0, 8.0)),
        joint_gap_mm=float(random.uniform(2.0, 4.0)),
    )
    return PhantomScan(
        name=f"cohort_{seed:04d}",
        purpose=f"Random femur {seed}{', beyond the promise: ' + hard if hard else ''}.",
        femora=(femur,),
        tissue=_draw_tissue(random, thin=hard == "thin"),
        scanner=_draw_scanner(random, femur, hard),
        patient_shift_mm=(
            float(random.uniform(-1, 1)),
            float(random.uniform(-1, 1)),
            float(random.uniform(-1, 1)),
        ),
        within_promise=not hard,
    )


def _draw_shape(random: np.random.Generator, *, thin: bool) -> FemurShape:
    """Return a femur between slender and stout, stovepipe and flute."""
    isthmus = float(random.uniform(17.5, 20.0) if thin else random.uniform(8.0, 19.0))
    minus20 = float(np.clip(0.55 * isthmus + random.normal(14.0, 1.3), 1.08 * isthmus, 27.0))
    at_lt = minus20 + float(random.uniform(5.0, 8.5))
    size = float(random.normal(1.0, 0.05))
    outer = float(np.clip(random.normal(27.0, 2.0), 22.5, 32.0))
    wall = float(random.uniform(1.2, 2.2) if thin else np.clip((outer - isthmus) / 2, 2.6, 10.0))
    design = CanalDesign(
        isthmus_mm=isthmus,
        isthmus_level_mm=float(random.uniform(-135.0, -95.0)),
        at_minus20_mm=minus20,
        at_lt_mm=at_lt,
        tube_top_mm=at_lt + float(random.uniform(5.0, 10.0)),
        wall_mm=wall,
        shell_mm=float(random.uniform(0.6, 1.0) if thin else random.uniform(1.0, 1.8)),
        length_mm=430.0 * size,
    )
    return make_shape(
        design,
        head_radius_mm=float(np.clip(random.normal(23.0, 1.7), 19.5, 27.0)),
        head_height_mm=float(np.clip(random.normal(50.0, 3.0), 43.0, 57.0)),
        head_medial_mm=float(np.clip(random.normal(42.0, 3.0), 36.0, 49.0)),
        neck_shaft_angle_deg=float(np.clip(random.normal(126.0, 5.0), 114.0, 138.0)),
        neck_radius_mm=float(np.clip(random.normal(13.0, 0.9), 11.0, 15.0)),
        bow_radius_mm=float(random.uniform(720.0, 1300.0)),
        torsion_deg=float(random.normal(14.0, 8.0)),
        wall_posterior_factor=float(random.uniform(1.1, 1.5)),
        wall_anterior_factor=float(random.uniform(0.7, 0.95)),
        canal_harmonics=_draw_waves(random, 0.02),
        outer_harmonics=_draw_waves(random, 0.012),
        lesser_trochanter=_draw_trochanter(random),
    )


def _draw_waves(random: np.random.Generator, share: float) -> Harmonics:
    """Return three waves: a triangular, a square and a five-sided part, each fainter."""
    waves = []
    for order in (3, 4, 5):
        size = float(abs(random.normal(0.0, share * 3 / order)))
        turn = float(random.normal(0.0, 0.15))
        waves.append((order, min(size, 0.05), float(random.uniform(0.0, 360.0)), turn))
    return tuple(waves)


def _draw_trochanter(random: np.random.Generator) -> LesserTrochanterShape:
    proud = float(np.clip(random.normal(8.0, 1.5), 5.0, 11.5))
    return LesserTrochanterShape(
        proud_mm=proud,
        direction_deg=float(np.clip(random.normal(52.0, 6.0), 35.0, 68.0)),
        above_mm=float(random.uniform(11.0, 19.0)),
        below_mm=float(random.uniform(12.0, 21.0)),
        tip_radius_mm=float(random.uniform(4.5, 7.5)),
        oblique_deg=float(random.uniform(5.0, 22.0)),
        blend_mm=float(random.uniform(6.0, 11.0)),
    )


def _draw_tissue(random: np.random.Generator, *, thin: bool) -> Tissue:
    return Tissue(
        cortex_hu=float(random.uniform(1250, 1500) if thin else random.uniform(1400, 1850)),
        cortex_sd_hu=float(random.uniform(20, 70)),
        cancellous_hu=float(random.uniform(60, 130) if thin else random.uniform(90, 260)),
        cancellous_sd_hu=float(random.uniform(30, 70)),
        marrow_hu=float(random.uniform(-90, 0)),
        muscle_hu=float(random.uniform(40, 65)),
        texture_mm=float(random.uniform(1.8, 3.0)),
        table=False,
    )


def _draw_scanner(random: np.random.Generator, femur: PlacedFemur, hard: str) -> Scanner:
    spacing = float(random.choice([0.6, 0.8, 1.0]))
    if hard == "slices":
        spacing = float(random.choice([2.0, 3.0]))
    pixel = float(random.uniform(0.55, 0.9))
    blur = float(random.uniform(0.4, 0.65))
    level = min(level for level, _ in _narrowest(femur.shape))
    middle = (femur.head_lateral_mm + 20.0) * (-1.0 if femur.side == "right" else 1.0)
    return Scanner(
        pixel_mm=pixel,
        slice_spacing_mm=spacing,
        slice_thickness_mm=spacing,
        x_range_mm=(middle - 66.0, middle + 66.0),
        y_range_mm=(-68.0, 66.0),
        z_range_mm=(level - 105.0, 36.0),
        blur_in_plane_mm=blur,
        blur_z_mm=float(random.uniform(0.3, 0.5)),
        edge_enhancement=float(random.uniform(0.1, 0.3)) if random.random() < 0.25 else 0.0,
        enhancement_width=float(random.uniform(1.8, 3.0)),
        noise_sd_hu=float(random.uniform(35.0, 60.0) if hard == "noise" else random.uniform(6, 30)),
        noise_correlation_mm=float(random.uniform(0.4, 0.7)),
    )


def _narrowest(shape: FemurShape) -> list[tuple[float, float]]:
    """Return the knots of the canal at its narrowest."""
    smallest = min(width for _, width in shape.canal_ml_knots)
    return [knot for knot in shape.canal_ml_knots if knot[1] == smallest]
