"""The standard output: as wide as the terminal, or wide enough for a file's table."""

from rich import box
from rich.console import Console
from rich.table import Table

#: Width of a table that goes to a file or a pipe. [characters]
PLAIN_WIDTH = 150


def make_console() -> Console:
    """Return the console for the standard output."""
    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=PLAIN_WIDTH)


def start_table(*, title: str | None = None, caption: str | None = None) -> Table:
    """Return an empty table in the look of the pages: a rule under its head, no frame."""
    return Table(
        title=title,
        caption=caption,
        title_justify="left",
        caption_justify="left",
        box=box.SIMPLE,
        pad_edge=False,
    )


def write_line(console: Console, line: str) -> None:
    """Print a line as it is, unbroken, so that a path can be copied whole."""
    console.print(line, markup=False, highlight=False, soft_wrap=True)
