"""Published constants and the one bibliography.

Every bound names its source. What is marked *from memory* or *common practice* was not read in
print by the authors of this file and is no citation.
"""

#: Sources by key; each value is what a reader needs to find it.
BIBLIOGRAPHY: dict[str, str] = {
    "noble_1988": "Noble et al., Clin Orthop Relat Res 1988;235:148-165; bounds as quoted in "
    "PMC7371079.",
    "murakami_2015": "Murakami et al., J Orthop Sci 2015;20:498-506: rotation moves the canal "
    "flare index by up to 1.31.",
    "laine_2000": "Laine et al., J Arthroplasty 2000;15:86: metaphyseal index, LT+20 over LT-20.",
    "dysplasia_2020": "Ther Clin Risk Manag 2020;16:631: CFI, MCFI and DCFI of the same femora.",
    "cos_2018": "Clin Orthop Surg 2018;10:149 (PMC5964262): cortical thickness index 100 mm below "
    "the mid-point of the lesser trochanter.",
    "sah_2007": "Sah et al. 2007: lateral cortical thickness index and bone density, 32 women.",
    "yeung_2006": "J Arthroplasty 2006;21:508: canal bone ratio, 45 cadaver femora.",
    "cc_ratio_2024": "PMC11248435: canal-to-calcar isthmus ratio by letter, 148 patients.",
    "dorr_1993": "Dorr et al., Bone 1993;14:231-242; values as quoted on a secondary page.",
    "spotorno": "Spotorno and Romagnoli; bound 2.7 as quoted in J Orthop Surg (Hong Kong) "
    "2010;18:279; the levels from memory.",
    "bow_1232": "PMC6177158: anterior bow radius of 1,232 femora by CT, mean 943 mm.",
    "treece_2010": "Treece et al., Med Image Anal 2010;14:276 (PMC2868358): blurred-cortex model.",
    "blur_edges_2014": "Med Phys 2014;41:011906 (PMID 24387514): the blur of clinical CT estimated "
    "from bone edges, 11 scans.",
    "solid_block": "Precision of cortical bone reconstruction from CT, machined blocks of femur "
    "and tibia as truth; abstract at discovery.researcher.life (fced8ba3), authors not seen.",
    "prevrhal_2003": "Prevrhal et al., Med Phys 2003;30:1: over-reading of thin shells.",
    "ista_2014": "Bone Joint J 2016;98-B Supp 1, ISTA2014-118: canal profile of 508 Caucasian and "
    "141 Chinese femora by CT.",
    "registry_norway": "Acta Orthop 2019 (PMC7006785): 66,995 hips; fracture after uncemented "
    "against cemented stems, risk ratio 5.2.",
    "fracture_letter": "PMID 28385933: letter C against B, early fracture around a cementless "
    "stem, 1,598 hips.",
}

#: Height of the proximal width in the canal flare index. [mm above the lesser trochanter]
FLARE_LEVEL_MM = 20.0  # noble_1988
#: A canal flare index below this is a stovepipe; the bound itself is normal.
STOVEPIPE_BELOW = 3.0  # noble_1988
#: A canal flare index above this is a champagne flute; the bound itself is normal.
FLUTE_ABOVE = 4.7  # noble_1988
#: Above this the flare index lies outside the published classes.
FLUTE_PUBLISHED_UP_TO = 6.5  # noble_1988
#: Distal level of the metaphyseal index. [mm above the lesser trochanter]
METAPHYSEAL_LEVEL_MM = -20.0  # laine_2000
#: Level of the cortical thickness index. [mm above the lesser trochanter]
CORTICAL_INDEX_LEVEL_MM = -100.0  # cos_2018
#: Level of the canal width in the morphological cortical index. [mm above the lesser trochanter]
MORPHOLOGICAL_LEVEL_MM = -70.0  # spotorno; the level from memory
#: Canal over outer at or above this went with osteoporosis.
CANAL_BONE_RATIO_OSTEOPOROTIC = 0.49  # yeung_2006
#: Inner less than half of outer speaks for press-fit. Common practice, no source.
INNER_OVER_OUTER_HALF = 0.5
#: Isthmus over lesser-trochanter width below which the letter is A. From memory; the means of
#: cc_ratio_2024 (0.47, 0.62, 0.78) lie on the right sides of both bounds.
LETTER_A_BELOW = 0.5
#: Isthmus over lesser-trochanter width above which the letter is C. From memory, as above.
LETTER_C_ABOVE = 0.75
#: Mean cortical thickness index on AP films by letter: A, B, C. Means, not bounds.
LETTER_MEAN_CTI_AP_FILM = {"A": 0.58, "B": 0.50, "C": 0.42}  # dorr_1993
#: Lateral cortical thickness index at or below this went with osteoporosis.
LATERAL_CTI_ALERT = 0.40  # sah_2007
#: Canal ML width by level, mean of 508 femora. [mm by mm above the lesser trochanter]
CANAL_ML_PROFILE_MM = {
    20.0: 43.7,
    10.0: 35.0,
    0.0: 28.7,
    -10.0: 24.0,
    -20.0: 20.6,
    -40.0: 16.7,
    -50.0: 15.7,
    -80.0: 13.5,
}  # ista_2014; printed levels count from LT+20

#: Error of cortical thickness, 16 cadaver femora, 0.3 to 4 mm, by blurred-cortex model, by fixed
#: threshold and at half of the maximum: mean and SD. [mm]
CORTEX_ERROR_MODEL_MM = (-0.01, 0.58)  # treece_2010
CORTEX_ERROR_THRESHOLD_MM = (0.25, 0.69)  # treece_2010
CORTEX_ERROR_HALF_MAXIMUM_MM = (0.90, 0.92)  # treece_2010
#: Absolute error of lengths on machined blocks: mean and SD. [mm]
LENGTH_ERROR_BLOCK_MM = (0.21, 0.12)  # solid_block
#: Absolute error of the blur's full width at half maximum, in plane: mean and SD. [mm]
BLUR_ERROR_EDGES_MM = (0.09, 0.05)  # blur_edges_2014
