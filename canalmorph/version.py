"""The version, in a place that every part may import: the package itself imports what is above."""

VERSION = "0.1.0"
