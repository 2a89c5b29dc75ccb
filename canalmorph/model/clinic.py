"""What the clinic knows of a patient beside the scan, and what follows from it for the reader."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class ClinicFacts:
    """Facts that bear on fixation and that no measurement contains; None where not stated.

    Attributes
    ----------
    age_years : float or None
        At the scan. [years]
    sex : str
        ``F`` or ``M``; anything else counts as not stated.
    fracture : bool or None
        Whether the operation is for a fracture.
    osteoporosis : bool or None
        Whether osteoporosis is known.
    previous_implant : bool or None
        Whether a femur holds an implant or held one.
    """

    age_years: float | None = None
    sex: str = ""
    fracture: bool | None = None
    osteoporosis: bool | None = None
    previous_implant: bool | None = None

    @property
    def is_woman(self) -> bool | None:
        """Whether the patient is a woman; None where the sex is not stated."""
        return {"F": True, "M": False}.get(self.sex)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClinicNotes:
    """What the facts add to the page.

    Attributes
    ----------
    cautions : tuple of str
        What was published about patients like this one, with source and strength.
    stated, missing : tuple of str
        Which facts are known, and which are not.
    """

    cautions: tuple[str, ...] = ()
    stated: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
