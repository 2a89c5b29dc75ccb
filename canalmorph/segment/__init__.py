"""Stage 3, Femur to Cortex: both surfaces of the cortex, finer than a voxel."""
