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
"""

__version__ = "0.1.0"
