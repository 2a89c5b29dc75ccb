"""The standard output: as wide as the terminal, or wide enough for a table in a file."""

from rich.console import Console

#: Width of a table that goes to a file or a pipe. [characters]
PLAIN_WIDTH = 150


def make_console() -> Console:
    """Return the console for the standard output."""
    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=PLAIN_WIDTH)


def write_line(console: Console, line: str) -> None:
    """Print a line as it is, unbroken, so that a path can be copied whole."""
    console.print(line, markup=False, highlight=False, soft_wrap=True)
