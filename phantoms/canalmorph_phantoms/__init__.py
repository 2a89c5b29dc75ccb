"""Digital femora with exact truth, rasterised to CT: shapes, tissue, catalogue, writing."""
