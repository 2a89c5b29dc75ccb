"""Stage 7: the canal's shape and the estimated letter."""
