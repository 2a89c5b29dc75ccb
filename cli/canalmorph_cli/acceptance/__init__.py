"""Acceptance: what the tool measures on scans whose truth is known, against what is promised."""
