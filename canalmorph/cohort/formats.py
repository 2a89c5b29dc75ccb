"""The formats that tables are written in; apart, so that it is imported in no time."""

from enum import StrEnum


class TableFormat(StrEnum):
    """A format that tables are written in."""

    CSV = "csv"
    PARQUET = "parquet"
    XLSX = "xlsx"
