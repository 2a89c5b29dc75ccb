"""The demo's invented clinic: its patients and their digital femora; nobody of them exists."""

from dataclasses import dataclass, replace

from canalmorph_phantoms.catalogue import CATALOGUE
from canalmorph_phantoms.spec import PhantomScan, Scanner

CLINIC = "Fennmoor Teaching Clinic"
#: An everyday field of view around both hips and thighs, to below the isthmus.
HIPS_AND_THIGHS = Scanner(
    x_range_mm=(-178.0, 178.0), y_range_mm=(-88.0, 96.0), z_range_mm=(-240.0, 45.0)
)
#: The right hip alone, stopped about 85 mm below the lesser trochanter: above the isthmus.
ENDS_TOO_EARLY = Scanner(
    x_range_mm=(-178.0, -8.0), y_range_mm=(-88.0, 96.0), z_range_mm=(-138.0, 45.0)
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClinicScan:
    """One scan of an invented patient.

    Attributes
    ----------
    folder : str
        Name of its folder.
    patient_name, patient_id, birth_date, sex, age_years
        The invented identity, as it stands in the files.
    story : str
        What the scan shows.
    spec : PhantomScan
        The phantom that is scanned.
    """

    folder: str
    patient_name: str
    patient_id: str
    birth_date: str
    sex: str
    age_years: int
    story: str
    spec: PhantomScan


def _scan_as(name: str, like: str, scanner: Scanner) -> PhantomScan:
    """Return a phantom of the catalogue under another name, in another scanner."""
    template = CATALOGUE[like]
    noise = template.scanner.noise_sd_hu
    return replace(template, name=name, scanner=replace(scanner, noise_sd_hu=noise))


def list_clinic_scans() -> tuple[ClinicScan, ...]:
    """Return the scans of the demo: three patients, one of each canal shape, four scans."""
    tessel = ClinicScan(
        folder="patient_1_tessel",
        patient_name="Tessel^Almut",
        patient_id="FEN-0001",
        birth_date="19430517",
        sex="F",
        age_years=81,
        story="wide canals with little flare",
        spec=_scan_as("clinic_tessel", "stovepipe_pair", HIPS_AND_THIGHS),
    )
    orrin = ClinicScan(
        folder="patient_2_orrin",
        patient_name="Orrin^Kasper",
        patient_id="FEN-0002",
        birth_date="19560902",
        sex="M",
        age_years=68,
        story="ordinary canals",
        spec=_scan_as("clinic_orrin", "normal_pair", HIPS_AND_THIGHS),
    )
    wendlow = ClinicScan(
        folder="patient_3_wendlow",
        patient_name="Wendlow^Ilka",
        patient_id="FEN-0003",
        birth_date="19710330",
        sex="F",
        age_years=53,
        story="narrow canals with much flare",
        spec=_scan_as("clinic_wendlow", "flute_pair", HIPS_AND_THIGHS),
    )
    earlier = replace(
        orrin,
        folder="patient_2_orrin_earlier_scan",
        story="the same patient's right hip in a scan that ends too early, above the isthmus",
        spec=_scan_as("clinic_orrin_earlier", "normal_pair", ENDS_TOO_EARLY),
    )
    return tessel, orrin, wendlow, earlier
