"""Stage 5, AlignedFemur to CanalProfile: every section's widths, areas and walls."""
