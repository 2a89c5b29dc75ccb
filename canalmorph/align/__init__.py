"""Stage 4, Cortex to AlignedFemur: landmarks, proximal shaft axis, neck, and the femur's frame."""
