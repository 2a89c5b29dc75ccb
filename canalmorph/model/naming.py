"""Names made from hashes, that no spreadsheet takes for a number."""

#: First characters, by the hexadecimal digit that they stand for: a name like ``1e5`` or
#: ``000123`` would be shown as another number, and no number begins with these.
FIRST_LETTERS = "ghijklmnopqrstuv"


def name_by_hash(digits: str, length: int) -> str:
    """Return the first hexadecimal digits of a hash, the first of them as a letter from g to v.

    Nothing of the hash is lost: each first digit has its own letter.

    Examples
    --------
    >>> name_by_hash("1e5" + 61 * "0", 12), name_by_hash("f00d", 4)
    ('he5000000000', 'v00d')
    """
    return FIRST_LETTERS[int(digits[0], 16)] + digits[1:length]
