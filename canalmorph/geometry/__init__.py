"""Pure geometry on arrays: grids, sampling, lines, spheres, outlines; it knows no femur."""
