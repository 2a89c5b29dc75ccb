"""A measured case as one page to read."""
