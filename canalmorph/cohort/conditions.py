"""Conditions on rows, such as ``cfi_ml < 3 and side = left``: parsed, never executed.

A condition is a comparison, or several joined by ``and``, ``or``, ``not`` and brackets::

    NAME = VALUE   (also ==, !=, <, <=, >, >=)      NAME in (VALUE, VALUE)
    NAME has WORD  (a list joined by semicolons)    NAME is blank, NAME is not blank

Text may stand in quotes. A comparison with a blank is never true.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from canalmorph.cohort.codebook import TableColumn

#: Takes a batch with typed columns, gives one truth value a row.
Predicate = Callable[[Any], Any]
_TOKEN = re.compile(
    r"\s*(?:(?P<text>'[^']*'|\"[^\"]*\")|(?P<mark><=|>=|!=|==|=|<|>|\(|\)|,)"
    r"|(?P<word>[^\s'\"<>=!(),]+))"
)
_COMPARISONS = {
    "=": "equal",
    "==": "equal",
    "!=": "not_equal",
    "<": "less",
    "<=": "less_equal",
    ">": "greater",
    ">=": "greater_equal",
}
#: Text is equal or not; which of two words is larger means nothing.
_FOR_TEXT = ("=", "==", "!=")


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """A parsed condition.

    Attributes
    ----------
    names : frozenset of str
        The columns that it needs.
    find_rows : callable
        Takes a pyarrow batch with these columns, typed; gives a boolean array.
    """

    names: frozenset[str]
    find_rows: Predicate


def parse_condition(text: str, columns: Sequence[TableColumn]) -> Condition:
    """Return the condition that a text states about a table.

    Parameters
    ----------
    text : str
        In the grammar of this module.
    columns : sequence of TableColumn
        Of the table.

    Raises
    ------
    ValueError
        If the text is no condition, or names a column that the table has not; the sentence says
        what was expected, and where.
    """
    parser = _Parser(words=_split_words(text), columns={one.name: one for one in columns})
    predicate = parser.parse_either()
    if parser.place < len(parser.words):
        raise parser.complain("'and', 'or' or the end")
    return Condition(names=frozenset(parser.names), find_rows=predicate)


def find_column(name: str, columns: Mapping[str, TableColumn]) -> TableColumn:
    """Return the column of a name.

    Raises
    ------
    ValueError
        If there is none; the sentence names the nearest ones.
    """
    if name in columns:
        return columns[name]
    raise ValueError(
        f"The table has no column {name!r}.{suggest_names(name, columns)} columns.csv lists all."
    )


def suggest_names(name: str, known: Iterable[str]) -> str:
    """Return a question after the names that are like one that does not exist, or nothing.

    Examples
    --------
    >>> suggest_names("shape", ["side", "canal_shape"])
    ' Did you mean canal_shape?'
    >>> suggest_names("centre", ["side", "canal_shape"])
    ''
    """
    near = get_close_matches(name, list(known), n=3)
    return f" Did you mean {' or '.join(near)}?" if near else ""


def _split_words(text: str) -> list[str]:
    words, place = [], 0
    while text[place:].strip():
        match = _TOKEN.match(text, place)
        if match is None:
            raise ValueError(
                f"'where' cannot be read from {text[place:].strip()[:20]!r} on; is a quote open?"
            )
        words.append(match.group().strip())
        place = match.end()
    return words


@dataclass(slots=True, kw_only=True)
class _Parser:
    """Reads words from left to right; one method a rule of the grammar."""

    words: list[str]
    columns: Mapping[str, TableColumn]
    place: int = 0
    names: set[str] = field(default_factory=set)

    def complain(self, expected: str) -> ValueError:
        found = repr(self.words[self.place]) if self.place < len(self.words) else "the end"
        said = " ".join(self.words[: self.place])
        after = f" after {said!r}" if said else ""
        return ValueError(f"'where' needs {expected}{after}, got {found}.")

    def take(self, *allowed: str) -> bool:
        """Step over the next word if it is one of these."""
        found = self.place < len(self.words) and self.words[self.place].lower() in allowed
        self.place += found
        return found

    def next_word(self, expected: str) -> str:
        if self.place >= len(self.words):
            raise self.complain(expected)
        self.place += 1
        return self.words[self.place - 1]

    def parse_either(self) -> Predicate:
        return self._join("or", "or_", self.parse_both)

    def parse_both(self) -> Predicate:
        return self._join("and", "and_", self.parse_one)

    def _join(self, word: str, function: str, parse: Callable[[], Predicate]) -> Predicate:
        parts = [parse()]
        while self.take(word):
            parts.append(parse())

        def find_rows(batch: Any) -> Any:
            import pyarrow.compute as pc

            found = parts[0](batch)
            for part in parts[1:]:
                found = getattr(pc, function)(found, part(batch))
            return found

        return find_rows

    def parse_one(self) -> Predicate:
        if self.take("not"):
            inner = self.parse_one()
            return lambda batch: _call("invert", inner(batch))
        if self.take("("):
            inner = self.parse_either()
            if not self.take(")"):
                raise self.complain("')'")
            return inner
        return self._parse_comparison()

    def _parse_comparison(self) -> Predicate:
        if self.place < len(self.words) and not self.words[self.place][0].isalpha():
            raise self.complain("a column's name")
        column = find_column(self.next_word("a column's name"), self.columns)
        self.names.add(column.name)
        if self.take("is"):
            wanted = "is_valid" if self.take("not") else "is_null"
            if not self.take("blank"):
                raise self.complain("'blank'")
            return lambda batch: _call(wanted, batch[column.name])
        if self.take("in"):
            return self._parse_choice(column)
        if self.take("has"):
            word = self._parse_value(column, "a word")
            if column.is_number:
                raise ValueError(f"'has' is for lists of words; {column.name} holds numbers.")
            pattern = f"(^|;){re.escape(str(word))}(;|$)"
            return _ignore_blanks(column.name, "match_substring_regex", pattern)
        mark = self.next_word("a comparison")
        allowed = _COMPARISONS if column.is_number else _FOR_TEXT
        if mark not in allowed:
            self.place -= 1
            raise self.complain(f"one of {' '.join(allowed)}, in, has or is [not] blank")
        value = self._parse_value(column, "a value")
        return _ignore_blanks(column.name, _COMPARISONS[mark], value)

    def _parse_choice(self, column: TableColumn) -> Predicate:
        if not self.take("("):
            raise self.complain("'('")
        values = [self._parse_value(column, "a value")]
        while self.take(","):
            values.append(self._parse_value(column, "a value"))
        if not self.take(")"):
            raise self.complain("',' or ')'")

        def find_rows(batch: Any) -> Any:
            import pyarrow as pa

            return _call("is_in", batch[column.name], pa.array(values))

        return find_rows

    def _parse_value(self, column: TableColumn, expected: str) -> str | float:
        word = self.next_word(expected)
        text = word[1:-1] if word[0] in "'\"" else word
        if not column.is_number:
            return text
        try:
            return float(text)
        except ValueError:
            self.place -= 1
            raise self.complain(f"a number for {column.name}") from None


def _ignore_blanks(name: str, function: str, value: str | float) -> Predicate:
    return lambda batch: _call("fill_null", _call(function, batch[name], value), False)


def _call(function: str, *arguments: Any) -> Any:
    import pyarrow.compute as pc

    return getattr(pc, function)(*arguments)
