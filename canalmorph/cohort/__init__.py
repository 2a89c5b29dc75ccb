"""A cohort: the tables of a results folder chosen, described, compared and written for others."""
