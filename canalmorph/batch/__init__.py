"""Many scans into one results folder; above the pipeline."""
