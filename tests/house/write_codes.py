"""Write the README's table of codes from the registry: ``python tests/house/write_codes.py``."""

from pathlib import Path

from canalmorph.model.codes import CODES

BEGIN, END = "<!-- codes: begin, written by tests/house/write_codes.py -->", "<!-- codes: end -->"


def make_table() -> str:
    """Return one row a code."""
    rows = [f"| {code.kind} | `{code.name}` | {code.meaning} | {code.action} |" for code in CODES]
    return "\n".join(["| kind | code | meaning | what to do |", "|---|---|---|---|", *rows])


def replace_table(text: str) -> str:
    """Return a page with the table between its two markers made anew."""
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    return f"{before}{BEGIN}\n{make_table()}\n{END}{after}"


if __name__ == "__main__":
    readme = Path(__file__).parents[2] / "README.md"
    readme.write_text(replace_table(readme.read_text("utf-8")), "utf-8")
