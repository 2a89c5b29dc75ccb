"""The catalogue's hard joints and whole femora: heads, torsion, bows and rods are tried on them."""

from dataclasses import replace

from canalmorph_phantoms.designs import FLUTE, LEFT_ONLY, NORMAL, NORMAL_LEFT, RIGHT_ONLY
from canalmorph_phantoms.shapes import make_shape
from canalmorph_phantoms.spec import PhantomScan, PlacedFemur


def list_joints() -> list[PhantomScan]:
    """Return heads that can hardly be told from their sockets."""
    normal, left = make_shape(NORMAL), make_shape(NORMAL_LEFT)
    return [
        PhantomScan(
            name="fused_joints",
            purpose="Heads fused to their sockets around the dome, right, and all over, left.",
            femora=(
                PlacedFemur(side="right", shape=normal, joint_gap_mm=1.5, fused_deg=60.0),
                PlacedFemur(side="left", shape=left, joint_gap_mm=1.0, fused_deg=85.0),
            ),
        ),
        PhantomScan(
            name="stiff_joints",
            purpose="Bone on bone, right; osteophytes and a gap of 1 mm, left.",
            femora=(
                PlacedFemur(side="right", shape=normal, joint_gap_mm=0.0),
                PlacedFemur(side="left", shape=left, joint_gap_mm=1.0, osteophyte_mm=5.0),
            ),
        ),
    ]


def list_whole() -> list[PhantomScan]:
    """Return whole femora that are unlike: torsion, bow, canal, epicondyles."""
    narrow = replace(FLUTE, isthmus_mm=8.8)
    wide = replace(NORMAL, isthmus_mm=13.6, at_minus20_mm=21.5)
    z_range_mm = (-425.0, 45.0)
    return [
        PhantomScan(
            name="whole_retroverted_right",
            purpose="Whole femur, retrotorsion, strong bow, narrow canal, gap 2 mm.",
            femora=(
                PlacedFemur(
                    side="right",
                    shape=make_shape(
                        narrow,
                        torsion_deg=-9.0,
                        neck_shaft_angle_deg=131.0,
                        bow_radius_mm=720.0,
                        epicondyle_proud_mm=4.0,
                    ),
                    joint_gap_mm=2.0,
                ),
            ),
            scanner=replace(RIGHT_ONLY, z_range_mm=z_range_mm, x_range_mm=(-170.0, 5.0)),
            with_rods=True,
        ),
        PhantomScan(
            name="whole_anteverted_left",
            purpose="Whole femur, high anteversion, slight bow, wide canal, gap 1.5 mm.",
            femora=(
                PlacedFemur(
                    side="left",
                    shape=make_shape(
                        wide,
                        torsion_deg=35.0,
                        neck_shaft_angle_deg=121.0,
                        bow_radius_mm=1200.0,
                        epicondyle_proud_mm=3.0,
                    ),
                    joint_gap_mm=1.5,
                ),
            ),
            scanner=replace(LEFT_ONLY, z_range_mm=z_range_mm, x_range_mm=(-5.0, 170.0)),
            with_rods=True,
        ),
    ]
