"""Damage that no reader can see (`UNSEEN` of the mutations) measures as P, within uncertainty.

What is left: a changed pixel size, intercept or slope in all slices alike, and the size or axes of
a research file. These are other, equally sound scans, and no reader can tell; they are the
sender's word.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalmorph.read.gate import check_volume
from canalmorph.read.settings import ReadSettings


def flip_bytes(voxels, chance):
    """Flip one byte of each of 5 voxels in or beside the bone, where it does most harm."""
    places = np.argwhere(voxels > 200)
    hit = places[chance.choice(len(places), 5, replace=False)] + chance.integers(-1, 2, (5, 3))
    k, j, i = np.minimum(hit, np.array(voxels.shape) - 1).T
    bits = chance.integers(1, 256, 5) << chance.choice([0, 8], 5)
    voxels[k, j, i] = (voxels[k, j, i].astype(np.int64) ^ bits).astype(np.uint16).view(np.int16)


def blur_codestreams(voxels, chance):
    """Leave in five slices what damage to a compressed stream leaves: errors of up to 40 HU."""
    for k in chance.choice(len(voxels), 5, replace=False):
        wave = 40 * np.sin(np.arange(voxels.shape[2]) * chance.uniform(0.2, 2.0))
        voxels[k] += np.round(wave).astype(np.int16)


def shift_some_intercepts(voxels, chance):
    voxels[chance.random(len(voxels)) < 0.5] += 10


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("damage", [flip_bytes, blur_codestreams, shift_some_intercepts])
def test_what_cannot_be_seen_measures_as_p(whole_pair, damage, seed):
    leg = whole_pair.cut_leg(whole_pair.volume, "right")
    voxels = leg.voxels_hu.copy()
    damage(voxels, np.random.default_rng(seed))
    volume = check_volume(replace(leg, voxels_hu=voxels), ReadSettings())
    case = whole_pair.measure(volume)
    whole_pair.assert_same_as_p(case, sides={"right"})
