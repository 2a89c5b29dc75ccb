"""Published constants and the one bibliography.

Every bound names its source, and every piece of evidence its strength. What is marked *from memory*
or *common practice* was not read in print by the authors of this file and is no citation.
"""

from dataclasses import dataclass

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
    "cbr_2020": "Arch Bone Jt Surg 2020;8:675 (PMID 33313347): canal bone ratio on films, 50 hips "
    "with osteoarthritis and 50 with fracture.",
    "anterior_wall": "CT study of sagittal bowing in cadaver femora (researchexperts.utmb.edu, "
    "authors not seen): anterior cortex 2.2 to 7.0 mm.",
    "area_fraction_1997": "J Anat 1997 (doi:10.1046/j.1469-7580.1997.19130407.x): medullary share "
    "of the mid-shaft of 180 Australians, 21 to 97 years.",
    "cc_ratio_2024": "PMC11248435: canal-to-calcar isthmus ratio by letter, 148 patients.",
    "dorr_1993": "Dorr et al., Bone 1993;14:231-242; values as quoted on a secondary page.",
    "letter_words": "The letters in words (A: thick cortex in both views and a posterior fin; B: "
    "posterior cortex thinned; C: thin cortex, fin lost), as quoted on a secondary page "
    "(medicalalgorithms.com).",
    "wall_order": "Proc Inst Mech Eng H, doi:10.1243/0954411991534889: 16 femora in sections, the "
    "anterior wall of the shaft thinnest, the posterior thickest.",
    "torsion_2024": "Arthroplast Today 2024;26:101318: torsion against the posterior condylar line "
    "12.7 +- 9.1, against the epicondylar axis 11.5 +- 7.9 degrees, 1,507 CT.",
    "torsion_methods": "PMC4990621: six methods on 52 cadaver femora differ by up to 11 degrees.",
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
    "neck_axes_102": "J Exp Orthop 2023 (s40634-023-00679-9): neck axes of 102 dry femora: "
    "the centre of the neck cut by the head's sphere, enlarged by 25 % or 40 %, against other "
    "methods; at most 5 degrees apart.",
    "head_korea": "Head diameters by sphere fit on CT, 202 Koreans: 43.3 mm in women, 48.5 in men.",
    "neck_mri": "Neck-shaft angle of 3,226 people by MRI: 127 +- 7 degrees, reference range 114 to "
    "140 (SHIP).",
    "offset_ct": "hal-03553324: 628 healthy people by CT; femoral offset 42.9 +- 6.8 mm.",
    "tip_apas": "Head centre against the tip of the greater trochanter by CT, 519 hips without "
    "arthritis: -7.3 +- 5.1 mm, below the tip negative.",
    "femora_1070": "PMC4775021: 1,070 femora by automated CT; torsion -23.6 to 48.7 degrees, "
    "median 14.2.",
    "canal_korea": "PMID 33501569: 1,400 Koreans by CT; smallest canal 8.9 +- 2.0 mm, bow radius "
    "906.9 +- 193.3 mm, femur length 424.4 +- 28.6 mm.",
    "isthmus_china": "doi:10.1155/2015/459612: 204 Chinese by CT; smallest canal 10.49 +- 1.52 mm, "
    "at 55 +- 4.8 % of the femur's height.",
    "femora_125": "doi:10.5281/zenodo.17642179: length of 125 dry femora 441.8 +- 27.8 mm.",
    "index_fracture": "doi:10.1007/s40520-015-0423-3: femoral cortical index at LT-100 on films of "
    "broken hips 0.42 (0.18 to 0.58), of the opposite ones 0.48 (0.25 to 0.66).",
    "registry_norway": "Acta Orthop 2019 (PMC7006785): 66,995 hips; fracture after uncemented "
    "against cemented stems, risk ratio 5.2.",
    "registries_six": "J Bone Joint Surg Am 2014 (PMC4271427): six registries together.",
    "registry_netherlands": "Acta Orthop (actaorthop.org/actao/article/download/886): 43,053 hips "
    "of patients of 80 years and more.",
    "registry_sweden": "Acta Orthop 2010, doi:10.3109/17453671003685400: 170,413 hips.",
    "registry_germany": "Bone Joint J 2024;106-B (BJJ-2023-0820): 333,144 hips.",
    "embolism": "Acta Orthop 2020, doi:10.1080/17453674.2020.1745420: registry, above 70 years.",
    "england_ages": "Bone Joint Open 2021 (doi:10.1302/2633-1462.25.BJO-2021-0006).",
    "aaos_fracture": "AAOS on fractures of the femoral neck (orthoguidelines.org 1707).",
    "nice_fracture": "NICE on hip fracture (NBK83015).",
    "rct_bipolar": "PMC3940758: randomised trial of bipolar hemiarthroplasty, 5 years.",
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
#: Isthmus over lesser-trochanter width below which the letter is A. Common practice, no source:
#: not seen in print; the means of cc_ratio_2024 (0.47, 0.62, 0.78) lie on the right sides.
LETTER_A_BELOW = 0.5
#: Isthmus over lesser-trochanter width above which the letter is C. Common practice, no source.
LETTER_C_ABOVE = 0.75
#: Mean isthmus over lesser-trochanter width by letter, 35, 96 and 17 hips. Means, not bounds.
LETTER_MEAN_RATIO = {"A": 0.47, "B": 0.62, "C": 0.78}  # cc_ratio_2024
#: Mean cortical thickness index on AP films by letter: A, B, C. Means, not bounds.
LETTER_MEAN_CTI_AP_FILM = {"A": 0.58, "B": 0.50, "C": 0.42}  # dorr_1993
#: Cortical thickness indices between which a view's letter is B: halfway between those means.
#: That the bound lies there, and that it holds for the lateral view too, is common practice, no
#: source; the lateral means were not seen in print.
LETTER_CTI_C_BELOW = (LETTER_MEAN_CTI_AP_FILM["C"] + LETTER_MEAN_CTI_AP_FILM["B"]) / 2
LETTER_CTI_A_ABOVE = (LETTER_MEAN_CTI_AP_FILM["B"] + LETTER_MEAN_CTI_AP_FILM["A"]) / 2
#: Posterior over anterior wall on the lateral view below which the posterior wall is thinned, so
#: that the view's letter is no A. That A has a posterior wall and B a thinned one is letter_words;
#: that the posterior wall is the thicker one is wall_order; the bound itself is common practice,
#: no source.
LETTER_POSTERIOR_THIN_BELOW = 1.0
#: Share of the canal's ratio in the letter; each view of the cortex has half of the rest, so that
#: no letter reaches 80 % against either view. Common practice, no source.
LETTER_RATIO_WEIGHT = 0.5
LETTER_VIEW_WEIGHT = (1 - LETTER_RATIO_WEIGHT) / 2
#: Lateral cortical thickness index at or below this went with osteoporosis.
LATERAL_CTI_ALERT = 0.40  # sah_2007
#: Cortical thickness index ML at LT-100 of hips with osteoarthritis: mean and SD, 50 films; one
#: less the printed canal bone ratio of 0.41 and 0.08.
CTI_ML_ARTHRITIC_HIPS = (0.59, 0.08)  # cbr_2020
#: A cortical thickness index ML at LT-100 below this is thin for its level: two SD below that mean.
#: That two SD are the bound is common practice, no source.
CTI_ML_THIN_BELOW = 0.43
#: Thickness of the anterior wall of the shaft, least and largest of cadavers by CT. [mm]
ANTERIOR_WALL_RANGE_MM = (2.2, 7.0)  # anterior_wall
#: Cortex area over total area at mid-shaft: mean of women in their eighties. Young people 0.75, men
#: in their eighties 0.63.
AREA_FRACTION_OLD_WOMEN = 0.50  # area_fraction_1997
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

#: The head's sphere, enlarged by this, cuts the neck.
NECK_SPHERE_ENLARGED = 1.25  # neck_axes_102
#: Neck axes of different methods lie no further apart than this. [deg]
NECK_AXES_APART_DEG = 5.0  # neck_axes_102


@dataclass(frozen=True, slots=True, kw_only=True)
class PopulationBand:
    """Where a number of nearly all adults lies; outside, it is to be looked at, never hidden.

    Attributes
    ----------
    column : str
        Of ``femurs.csv``.
    low, high : float
        In the column's unit.
    code : str
        Of the warning.
    sources : tuple of str
        Keys of the bibliography.
    """

    column: str
    low: float
    high: float
    code: str
    sources: tuple[str, ...]


#: Ranges that were seen, or three SD to each side of the published means; of two populations the
#: wider. The flare index is told by its classes.
POPULATION_BANDS = (
    PopulationBand(  # means of both sexes and 3 SD of some 2.5 mm
        column="head_diameter_mm",
        low=38.0,
        high=56.0,
        code="head_size_unusual",
        sources=("head_korea",),
    ),
    PopulationBand(
        column="neck_shaft_angle_deg",
        low=114.0,
        high=140.0,
        code="neck_shaft_angle_unusual",
        sources=("neck_mri",),
    ),
    PopulationBand(
        column="femoral_offset_mm",
        low=22.5,
        high=63.3,
        code="femoral_offset_unusual",
        sources=("offset_ct",),
    ),
    PopulationBand(
        column="head_above_trochanter_tip_mm",
        low=-27.1,
        high=9.8,
        code="head_height_unusual",
        sources=("tip_apas",),
    ),
    PopulationBand(
        column="torsion_deg",
        low=-23.6,
        high=48.7,
        code="torsion_unusual",
        sources=("femora_1070",),
    ),
    PopulationBand(
        column="bow_radius_mm",
        low=327.0,
        high=1487.0,
        code="bow_unusual",
        sources=("canal_korea",),
    ),
    # Up to the mean canal of Caucasians at LT-80, above the isthmus, and 3 of the Korean SD.
    PopulationBand(
        column="isthmus_canal_inscribed_mm",
        low=2.9,
        high=19.5,
        code="isthmus_width_unusual",
        sources=("canal_korea", "ista_2014"),
    ),
    # 55 +- 4.8 % of the length, and the abstract does not say from which end.
    PopulationBand(
        column="isthmus_height_share",
        low=0.31,
        high=0.69,
        code="isthmus_height_unusual",
        sources=("isthmus_china",),
    ),
    PopulationBand(
        column="femur_length_mm",
        low=338.6,
        high=525.2,
        code="femur_length_unusual",
        sources=("canal_korea", "femora_125"),
    ),
    # From the thinnest of hips with a fracture to 3 SD above the mean of those with arthritis.
    PopulationBand(
        column="cti_ml_lt_minus100",
        low=0.18,
        high=0.83,
        code="cortical_index_unusual",
        sources=("index_fracture", "cbr_2020"),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What was published about fixation in some patients, and how strong it is.

    Attributes
    ----------
    statement : str
        What the source says, not more.
    strength : str
        Kind of study.
    sources : tuple of str
        Keys of the bibliography.
    from_years, below_years : float or None
        Ages that it is about, in whole years: above 75 begins with 76. [years]
    women : bool
        Whether it is about women only.
    needs : str
        Fact that it is about, ``fracture`` or ``osteoporosis``; empty for none.
    """

    statement: str
    strength: str
    sources: tuple[str, ...]
    from_years: float | None = None
    below_years: float | None = None
    women: bool = False
    needs: str = ""


FIXATION_EVIDENCE = (
    Evidence(
        statement="Fracture was 5.2 times and revision 1.4 times as frequent after all-uncemented "
        "as after cemented hips; fracture in women 12 times.",
        strength="registry, strong association",
        sources=("registry_norway",),
    ),
    Evidence(
        statement="Revision of uncemented hips was 1.8 times as frequent in women above 75 years.",
        strength="registry, strong association",
        sources=("registry_norway",),
        from_years=76.0,
        women=True,
    ),
    Evidence(
        statement="Revision of uncemented hips was 1.3 times as frequent in women of 55 to 75 "
        "years.",
        strength="registry, strong association",
        sources=("registry_norway",),
        from_years=55.0,
        below_years=76.0,
        women=True,
    ),
    Evidence(
        statement="From 75 years on uncemented hips were revised more often than hybrid ones "
        "(hazard ratio 1.6); the authors write that they should be avoided there.",
        strength="registries",
        sources=("registries_six",),
        from_years=75.0,
    ),
    Evidence(
        statement="From 80 years on uncemented hips were revised more often (hazard ratio 1.6); "
        "mortality was comparable.",
        strength="registry",
        sources=("registry_netherlands",),
        from_years=80.0,
    ),
    Evidence(
        statement="Below 60 years no effect of the stem on revision was seen.",
        strength="registry",
        sources=("registry_germany",),
        below_years=60.0,
    ),
    Evidence(
        statement="Uncemented stems were revised more often in women of 71 to 80 years.",
        strength="registry",
        sources=("registry_germany",),
        from_years=71.0,
        below_years=81.0,
        women=True,
    ),
    Evidence(
        statement="Fracture in the first two years was 8 times as frequent with uncemented stems, "
        "and loosening of the stem less frequent (risk ratio 0.4).",
        strength="registry; two opposite effects",
        sources=("registry_sweden",),
    ),
    Evidence(
        statement="Cement has its own risks: above 70 years pulmonary embolism was 3.9 times as "
        "frequent with cemented and hybrid hips.",
        strength="registry",
        sources=("embolism",),
        from_years=71.0,
    ),
    Evidence(
        statement="English directives ask for cement above 65 or 69 years; the source argues that "
        "uncemented stems can be safe (1,004 cases of one surgeon).",
        strength="policy, disputed",
        sources=("england_ages",),
        from_years=66.0,
    ),
    Evidence(
        statement="For hip fracture treated by arthroplasty, guidelines recommend cemented stems.",
        strength="guidelines, resting on trials",
        sources=("nice_fracture", "aaos_fracture"),
        needs="fracture",
    ),
    Evidence(
        statement="After bipolar hemiarthroplasty fracture was seen in 7.4 % without and 0.9 % "
        "with cement (hazard ratio 9.3, 1.2 to 75); the hip score was better without.",
        strength="randomised trial, wide interval",
        sources=("rct_bipolar",),
        needs="fracture",
    ),
    Evidence(
        statement="Around a cementless tapered stem early fracture was 5.2 times as frequent with "
        "letter C as with B; the authors suggest to consider cement in women with poor bone.",
        strength="cohort of one centre, moderate",
        sources=("fracture_letter",),
        women=True,
        needs="osteoporosis",
    ),
)
