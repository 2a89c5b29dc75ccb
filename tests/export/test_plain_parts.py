"""Nouns from their plain parts: annotations of arrays, however they are named."""

from types import GenericAlias

import numpy as np
import pytest
from numpy.typing import NDArray

from canalmorph.export.plain_parts import unpack_noun


class Named:
    """Stands for an alias as Python 3.12 has it: the type that it names is its value."""

    __value__ = np.ndarray[tuple[int, ...], np.dtype[np.float64]]


@pytest.mark.parametrize(
    "kind",
    [
        pytest.param(NDArray[np.float64], id="as numpy names it here"),
        pytest.param(np.ndarray[tuple[int], np.dtype[np.float64]], id="in full"),
        pytest.param(GenericAlias(Named, (np.float64,)), id="by an alias"),
    ],
)
def test_an_array_is_known_by_its_annotation(kind: object) -> None:
    held = np.array([1.0, 2.0])
    assert unpack_noun(kind, None, "part", {"part": held}, {}) is held
