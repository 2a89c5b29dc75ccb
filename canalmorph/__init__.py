"""Femoral canal morphology from CT.

The stages, in order; each is one function of the previous stage's result:

1. ``read.scans.read_scans``            path -> CtVolume
2. ``locate.femora.locate_femurs``      CtVolume -> Femur
3. ``segment.cortex.segment_cortex``    Femur -> Cortex
4. ``align.femur.align_femur``          Cortex -> AlignedFemur
5. ``measure.canal.measure_canal``      AlignedFemur -> CanalProfile
6. ``indices.compute.compute_indices``  CanalProfile -> CanalIndices
7. ``classify.shape.classify_canal``    CanalIndices -> CanalType
8. ``advise.fixation.advise_fixation``  CanalType -> FixationAdvice

They meet in ``canalmorph.pipeline``, and nowhere else.

For notebooks, ``canalmorph.measure_scans(path, out=folder)`` and ``open_results(folder)`` give
frames, statistics and pictures; see ``canalmorph.notebook``.
"""

from typing import TYPE_CHECKING, Any

from canalmorph.version import VERSION

if TYPE_CHECKING:
    from canalmorph.notebook import Results, measure_scans, open_results

__version__ = VERSION
__all__ = ["Results", "__version__", "measure_scans", "open_results"]


def __getattr__(name: str) -> Any:
    """Import the notebook's part when it is first asked for: it is heavy."""
    if name in ("Results", "measure_scans", "open_results"):
        from canalmorph import notebook

        return getattr(notebook, name)
    raise AttributeError(f"module 'canalmorph' has no attribute {name!r}")
