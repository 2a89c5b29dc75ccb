"""Stage 2, CtVolume to Femur: where the femora are, which side, and which parts are in view."""
