"""The designs that the catalogue's femora are made of, and the fields of view of one femur."""

from canalmorph_phantoms.shapes import CanalDesign
from canalmorph_phantoms.spec import LesserTrochanterShape, Scanner

NORMAL = CanalDesign()
NORMAL_LEFT = CanalDesign(isthmus_mm=12.4, isthmus_level_mm=-109.0, at_lt_mm=28.6)
STOVEPIPE = CanalDesign(
    isthmus_mm=18.8, isthmus_level_mm=-118.0, at_minus20_mm=23.8, at_lt_mm=29.0, wall_mm=4.2
)
FLUTE = CanalDesign(
    isthmus_mm=7.9, isthmus_level_mm=-122.0, at_minus20_mm=18.6, at_lt_mm=27.2, wall_mm=9.0
)
THIN = CanalDesign(
    isthmus_mm=17.0,
    isthmus_level_mm=-105.0,
    at_minus20_mm=22.5,
    at_lt_mm=28.5,
    wall_mm=1.4,
    shell_mm=0.7,
)
SMALL_LT = LesserTrochanterShape(proud_mm=6.0, above_mm=13.0, below_mm=14.0, direction_deg=48.0)
BIG_LT = LesserTrochanterShape(proud_mm=10.0, above_mm=18.0, below_mm=19.0, direction_deg=58.0)
RIGHT_ONLY = Scanner(x_range_mm=(-185.0, -15.0), y_range_mm=(-95.0, 95.0))
LEFT_ONLY = Scanner(x_range_mm=(15.0, 185.0), y_range_mm=(-95.0, 95.0))
