"""Stage 6, CanalProfile to CanalIndices: isthmus, widths at named levels, ratios."""
