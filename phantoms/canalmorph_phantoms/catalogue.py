"""The named phantoms: what each is good for, and its parameters.

`CATALOGUE` holds full scans, `SMALL` scans for unit tests. A name's meaning never changes; a
better phantom gets a new name.
"""

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from canalmorph_phantoms.catalogue_hips import list_joints, list_whole
from canalmorph_phantoms.designs import (
    BIG_LT,
    FLUTE,
    LEFT_ONLY,
    NORMAL,
    NORMAL_LEFT,
    RIGHT_ONLY,
    SMALL_LT,
    STOVEPIPE,
    THIN,
)
from canalmorph_phantoms.shapes import CanalDesign, make_published_shape, make_shape
from canalmorph_phantoms.spec import (
    FemurShape,
    PhantomScan,
    PlacedFemur,
    Scanner,
    Tissue,
)


def _make_pair(right: FemurShape, left: FemurShape, **place: float) -> tuple[PlacedFemur, ...]:
    """Return both femora, the left one turned a little differently."""
    turned = {**place, "internal_rotation_deg": place.get("internal_rotation_deg", 0.0) + 4.0}
    return (
        PlacedFemur(side="right", shape=right, **place),
        PlacedFemur(side="left", shape=left, **turned),
    )


def _list_everyday() -> list[PhantomScan]:
    normal, normal_left = make_shape(NORMAL), make_shape(NORMAL_LEFT, torsion_deg=18.0)
    published = make_published_shape()
    return [
        PhantomScan(
            name="normal_pair",
            purpose="Two ordinary femora, ordinary scan, with table.",
            femora=_make_pair(normal, normal_left),
        ),
        PhantomScan(
            name="published_profile",
            purpose="Canal ML widths LT+20 to LT-80 of the published mean of 508 femora.",
            femora=_make_pair(published, replace(published, torsion_deg=10.0)),
            scanner=Scanner(slice_spacing_mm=0.8, slice_thickness_mm=0.8),
        ),
        PhantomScan(
            name="stovepipe_pair",
            purpose="Wide canals with little flare; small lesser trochanters.",
            femora=_make_pair(
                make_shape(STOVEPIPE, lesser_trochanter=SMALL_LT),
                make_shape(
                    replace(STOVEPIPE, isthmus_mm=17.2, wall_mm=4.8),
                    neck_radius_mm=12.0,
                    head_radius_mm=22.0,
                    head_medial_mm=39.0,
                ),
            ),
            scanner=Scanner(noise_sd_hu=25.0),
        ),
        PhantomScan(
            name="flute_pair",
            purpose="Narrow canals with much flare; large lesser trochanters.",
            femora=_make_pair(
                make_shape(FLUTE, lesser_trochanter=BIG_LT),
                make_shape(
                    replace(FLUTE, isthmus_mm=9.4, isthmus_level_mm=-112.0),
                    neck_shaft_angle_deg=130.0,
                    neck_radius_mm=13.6,
                ),
            ),
        ),
        PhantomScan(
            name="border_low",
            purpose="Flare near 3, the border of stovepipe and normal.",
            femora=_make_pair(
                make_shape(replace(STOVEPIPE, isthmus_mm=14.9, wall_mm=6.0)),
                make_shape(replace(STOVEPIPE, isthmus_mm=14.4, wall_mm=6.4, tube_top_mm=36.0)),
            ),
            scanner=Scanner(noise_sd_hu=20.0),
        ),
        PhantomScan(
            name="border_high",
            purpose="Flare near 4.7, the border of normal and champagne flute.",
            femora=_make_pair(
                make_shape(replace(FLUTE, isthmus_mm=9.9)),
                make_shape(replace(FLUTE, isthmus_mm=9.5)),
            ),
        ),
    ]


def _list_poses() -> list[PhantomScan]:
    # Long: a table.
    normal = make_shape(NORMAL)
    return [
        PhantomScan(
            name="oblique_12",
            purpose="Femora 12 degrees oblique to the slices, patient shifted.",
            femora=_make_pair(normal, make_shape(NORMAL_LEFT), adduction_deg=9.0, flexion_deg=8.0),
            patient_shift_mm=(7.3, -4.1, 11.7),
            scanner=Scanner(z_range_mm=(-245.0, 58.0)),
        ),
        PhantomScan(
            name="torsion_low",
            purpose="Retrotorsion and high neck-shaft angle.",
            femora=_make_pair(
                make_shape(NORMAL, torsion_deg=-10.0, neck_shaft_angle_deg=138.0),
                make_shape(NORMAL_LEFT, torsion_deg=-4.0, neck_shaft_angle_deg=134.0),
            ),
        ),
        PhantomScan(
            name="torsion_high",
            purpose="High anteversion: neck plane far from the coronal plane.",
            femora=_make_pair(
                make_shape(NORMAL, torsion_deg=40.0),
                make_shape(NORMAL_LEFT, torsion_deg=33.0),
                internal_rotation_deg=-5.0,
            ),
        ),
        PhantomScan(
            name="varus_short_neck",
            purpose="Neck-shaft angle 116, low head that reaches LT+20, gap 1 mm.",
            femora=_make_pair(
                make_shape(
                    replace(NORMAL, length_mm=405.0),
                    neck_shaft_angle_deg=116.0,
                    head_height_mm=41.0,
                    head_medial_mm=44.0,
                ),
                make_shape(
                    NORMAL_LEFT,
                    neck_shaft_angle_deg=119.0,
                    head_height_mm=42.0,
                    head_radius_mm=24.0,
                ),
                joint_gap_mm=1.0,
            ),
        ),
        PhantomScan(
            name="small_bones",
            purpose="Short, slender femora, small heads.",
            femora=_make_pair(
                make_shape(
                    CanalDesign(
                        isthmus_mm=10.0,
                        isthmus_level_mm=-96.0,
                        at_minus20_mm=17.5,
                        at_lt_mm=24.5,
                        tube_top_mm=32.0,
                        wall_mm=7.2,
                        length_mm=400.0,
                    ),
                    head_radius_mm=20.2,
                    head_height_mm=45.0,
                    head_medial_mm=37.0,
                    neck_radius_mm=11.2,
                    lesser_trochanter=SMALL_LT,
                ),
                make_shape(
                    CanalDesign(
                        isthmus_mm=10.6,
                        isthmus_level_mm=-92.0,
                        at_minus20_mm=17.8,
                        at_lt_mm=25.0,
                        tube_top_mm=32.0,
                        wall_mm=6.8,
                        length_mm=402.0,
                    ),
                    head_radius_mm=20.6,
                    head_height_mm=46.0,
                    head_medial_mm=37.5,
                    neck_radius_mm=11.4,
                ),
                head_lateral_mm=82.0,
            ),
            scanner=Scanner(pixel_mm=0.7, slice_spacing_mm=0.8, slice_thickness_mm=0.8),
        ),
        PhantomScan(
            name="large_bones",
            purpose="Long, stout femora, head of 52 mm, isthmus far down, strong bow.",
            femora=_make_pair(
                make_shape(
                    replace(NORMAL, isthmus_mm=13.2, isthmus_level_mm=-142.0, length_mm=460.0),
                    head_radius_mm=26.0,
                    head_height_mm=55.0,
                    head_medial_mm=48.0,
                    neck_radius_mm=15.0,
                    bow_radius_mm=720.0,
                    lesser_trochanter=BIG_LT,
                ),
                make_shape(
                    replace(NORMAL, isthmus_mm=13.8, isthmus_level_mm=-135.0, length_mm=458.0),
                    head_radius_mm=25.6,
                    head_height_mm=54.0,
                    head_medial_mm=47.0,
                    neck_radius_mm=14.6,
                    bow_radius_mm=800.0,
                ),
                head_lateral_mm=93.0,
            ),
            scanner=Scanner(z_range_mm=(-285.0, 45.0), x_range_mm=(-195.0, 195.0)),
            tissue=Tissue(thigh_radius_mm=88.0),
        ),
    ]


def _list_coverage() -> list[PhantomScan]:
    normal, left = make_shape(NORMAL), make_shape(NORMAL_LEFT)
    return [
        PhantomScan(
            name="right_only",
            purpose="One femur, small field of view, fine voxels.",
            femora=(PlacedFemur(side="right", shape=normal),),
            scanner=replace(RIGHT_ONLY, pixel_mm=0.5, slice_spacing_mm=0.6, slice_thickness_mm=0.6),
        ),
        PhantomScan(
            name="left_only",
            purpose="The left femur alone, no table.",
            femora=(PlacedFemur(side="left", shape=left, joint_gap_mm=4.0),),
            scanner=LEFT_ONLY,
            tissue=Tissue(table=False),
        ),
        PhantomScan(
            name="ends_above_isthmus",
            purpose="Scan ends at about LT-85: the isthmus is out of view.",
            femora=_make_pair(normal, left),
            scanner=Scanner(z_range_mm=(-138.0, 45.0)),
        ),
        PhantomScan(
            name="hip_only",
            purpose="Scan ends at about LT-25: no shaft to speak of.",
            femora=_make_pair(normal, left),
            scanner=Scanner(z_range_mm=(-78.0, 45.0)),
        ),
        PhantomScan(
            name="whole_femur_right",
            purpose="From the head to the condyles, one side.",
            femora=(PlacedFemur(side="right", shape=make_shape(NORMAL, torsion_deg=22.0)),),
            scanner=replace(RIGHT_ONLY, z_range_mm=(-425.0, 45.0), x_range_mm=(-170.0, 5.0)),
        ),
    ]


def _list_hard() -> list[PhantomScan]:
    """Return scans outside the promise: thick slices, much noise, thin cortex."""
    normal, left = make_shape(NORMAL), make_shape(NORMAL_LEFT)
    thin = make_shape(THIN)
    return [
        PhantomScan(
            name="thin_cortex",
            purpose="Cortex of the shaft 1.1 to 1.8 mm, shell 0.7 mm.",
            femora=_make_pair(thin, make_shape(replace(THIN, wall_mm=1.9, isthmus_mm=16.0))),
            tissue=Tissue(cortex_hu=1350.0, cancellous_hu=90.0),
            within_promise=False,
        ),
        PhantomScan(
            name="thick_slices_3",
            purpose="Slices of 3 mm.",
            femora=_make_pair(normal, left),
            scanner=Scanner(slice_spacing_mm=3.0, slice_thickness_mm=3.0, blur_z_mm=0.8),
            within_promise=False,
        ),
        PhantomScan(
            name="slices_2_coarse",
            purpose="Slices of 2 mm, pixels of 1 mm.",
            femora=_make_pair(normal, left),
            scanner=Scanner(
                pixel_mm=1.0,
                slice_spacing_mm=2.0,
                slice_thickness_mm=2.0,
                blur_in_plane_mm=0.65,
                blur_z_mm=0.6,
            ),
            within_promise=False,
        ),
        PhantomScan(
            name="noisy_60",
            purpose="Noise of 60 HU, sharp blur.",
            femora=_make_pair(normal, left),
            scanner=Scanner(
                noise_sd_hu=60.0, blur_in_plane_mm=0.4, noise_correlation_mm=0.4, kernel="Br59"
            ),
            within_promise=False,
        ),
        PhantomScan(
            name="noiseless_fine",
            purpose="No noise, for bias alone.",
            femora=(PlacedFemur(side="right", shape=normal),),
            scanner=replace(RIGHT_ONLY, pixel_mm=0.7, noise_sd_hu=0.0),
            tissue=Tissue(muscle_sd_hu=0.0),
        ),
    ]


def _index(scans: list[PhantomScan]) -> Mapping[str, PhantomScan]:
    return MappingProxyType({scan.name: scan for scan in scans})


#: Full scans by name.
CATALOGUE: Mapping[str, PhantomScan] = _index(
    [
        *_list_everyday(),
        *_list_poses(),
        *_list_coverage(),
        *list_joints(),
        *list_whole(),
        *_list_hard(),
    ]
)

_SMALL_SCANNER = Scanner(
    pixel_mm=1.0,
    slice_spacing_mm=1.5,
    slice_thickness_mm=1.5,
    x_range_mm=(-165.0, -25.0),
    y_range_mm=(-55.0, 65.0),
    z_range_mm=(-225.0, 42.0),
    noise_sd_hu=10.0,
)


def _list_small() -> list[PhantomScan]:
    normal = make_shape(NORMAL)
    right = PlacedFemur(side="right", shape=normal)
    no_table = Tissue(table=False)
    mirrored = replace(_SMALL_SCANNER, x_range_mm=(25.0, 165.0))
    return [
        PhantomScan(
            name="small_right",
            purpose="One ordinary femur, coarse voxels.",
            femora=(right,),
            scanner=_SMALL_SCANNER,
            tissue=no_table,
        ),
        PhantomScan(
            name="small_left_flute",
            purpose="One left femur with a narrow canal.",
            femora=(PlacedFemur(side="left", shape=make_shape(FLUTE)),),
            scanner=mirrored,
            tissue=no_table,
        ),
        PhantomScan(
            name="small_right_stovepipe",
            purpose="One femur with a wide canal, steep pose.",
            femora=(
                PlacedFemur(
                    side="right", shape=make_shape(STOVEPIPE), adduction_deg=9.0, flexion_deg=-4.0
                ),
            ),
            scanner=replace(_SMALL_SCANNER, y_range_mm=(-75.0, 65.0)),
            tissue=no_table,
        ),
        PhantomScan(
            name="small_pair",
            purpose="Both femora, coarse voxels.",
            femora=(right, replace(right, side="left")),
            scanner=replace(
                _SMALL_SCANNER, x_range_mm=(-165.0, 165.0), pixel_mm=1.2, noise_sd_hu=0.0
            ),
            tissue=no_table,
        ),
        PhantomScan(
            name="small_hip_only",
            purpose="Ends at about LT-25.",
            femora=(right,),
            scanner=replace(_SMALL_SCANNER, z_range_mm=(-78.0, 42.0)),
            tissue=no_table,
        ),
    ]


#: Scans for unit tests, by name.
SMALL: Mapping[str, PhantomScan] = _index(_list_small())
