"""Stage 8: a suggestion for discussion, with its reasons and its doubt."""
