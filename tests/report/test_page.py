"""The page: whole in itself, readable, escaped, and it answers the reader's questions."""

import re
from base64 import b64decode, b64encode
from dataclasses import replace
from hashlib import sha256
from html.parser import HTMLParser
from pathlib import Path

import pytest

from canalmorph.model.clinic import ClinicNotes
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.results import CanalIndices, CaseResult, FemurResult, Measurement, Refusal
from canalmorph.model.volume import PatientFacts
from canalmorph.report.content import make_content
from canalmorph.report.listing import list_gaps, name_column
from canalmorph.report.page import make_page, write_page
from canalmorph.report.pictures import FemurPictures
from canalmorph.report.wording import describe_shape

Case = tuple[CaseResult, tuple[FemurPictures, ...]]
HOSTILE = '<script>alert("x")</script><img src=x onerror=y>{{7*7}}'


def _make_page(
    case: CaseResult,
    pictures: tuple[FemurPictures, ...],
    *,
    notes: ClinicNotes | None = None,
    deidentify: bool = False,
) -> str:
    return make_page(case, make_content(case, notes=notes, deidentify=deidentify), pictures)


class _Reader(HTMLParser):
    """Collects the text outside style, the ids, and every attribute that could load something."""

    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []
        self.ids: list[str] = []
        self.tags: set[str] = set()
        self.loads: list[str] = []
        self._inside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self._inside.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            if name in ("src", "href", "xlink:href", "action", "data", "srcset") or (
                name.startswith("on")
            ):
                self.loads.append(value or "")

    def handle_data(self, data: str) -> None:
        if self._inside and self._inside[-1] not in ("style", "title", "script"):
            self.text.append(data)


def _read(page: str) -> tuple[_Reader, str]:
    reader = _Reader()
    reader.feed(page)
    return reader, re.sub(r"\s+", " ", " ".join(reader.text))


@pytest.fixture(scope="module")
def whole_page(whole_case: Case) -> str:
    return _make_page(*whole_case)


def test_nothing_is_loaded_from_elsewhere(whole_page: str) -> None:
    reader, _ = _read(whole_page)
    pictures = ("data:image/png;base64,", "data:image/jpeg;base64,")
    assert all(load.startswith(("#", *pictures)) for load in reader.loads)
    assert "link" not in reader.tags
    assert "iframe" not in reader.tags
    assert not re.search(r"@import|url\((?!#)", whole_page)
    assert "default-src 'none'" in whole_page


def test_only_the_pages_own_script_may_run(whole_page: str) -> None:
    scripts = re.findall(r"<script>(.*?)</script>", whole_page, flags=re.DOTALL)
    assert whole_page.count("<script") == len(scripts) == 1
    digest = b64encode(sha256(scripts[0].encode()).digest()).decode()
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', whole_page)
    assert policy is not None
    assert f"script-src 'sha256-{digest}';" in policy.group(1)
    assert "unsafe-inline" not in policy.group(1).split("script-src")[1].split(";")[0]


def test_the_page_of_two_whole_femora_weighs_less_than_3_mb(long_case: Case) -> None:
    page = _make_page(*long_case)
    assert page.count('class="cut"') >= 2 * 110
    assert len(page.encode()) < 3_000_000


def test_ids_are_unique_and_text_is_large_enough(whole_page: str) -> None:
    reader, _ = _read(whole_page)
    assert len(reader.ids) == len(set(reader.ids))
    sizes = [
        float(size) for size in re.findall(r"font(?:-size)?: ?(?:\w+ )*?([\d.]+)px", whole_page)
    ]
    assert len(sizes) > 50
    assert min(sizes) >= 11


def test_no_date_and_no_maker_is_in_the_pictures(whole_page: str) -> None:
    assert "<metadata" not in whole_page
    assert "<!--" not in whole_page.split("<body>")[1]
    pictures = re.findall(r"data:image/png;base64,([^\"]*)\"", whole_page)
    # Two sides with two films and five sections each.
    assert len(pictures) == 14
    for picture in pictures:
        content = b64decode(picture)
        for chunk in (b"tEXt", b"iTXt", b"zTXt", b"tIME", b"eXIf"):
            assert chunk not in content


def test_the_same_case_makes_the_same_page(whole_case: Case, whole_page: str) -> None:
    assert _make_page(*whole_case) == whole_page


def test_parts_come_in_their_order(whole_page: str) -> None:
    headings = re.findall(r"<h2[^>]*>(?:<span[^>]*>.</span> )?(.*?)</h2>", whole_page)
    assert headings == [
        "Type and suggestion",
        "Cautions",
        "Right femur, pictures",
        "Left femur, pictures",
        "Numbers",
        "Left against right",
        "Not measured, and why",
        "Method and scan",
        "Glossary",
    ]
    assert whole_page.index("Quill Rosalind") < whole_page.index("<h2")


def test_the_page_answers_side_type_surety_suggestion_reason_and_doubt(
    whole_page: str,
) -> None:
    _, text = _read(whole_page)
    for answer in (
        "Right femur",
        "Canal shape: normal (> 99 %); flare index 3.90 ± 0.06.",
        "Canal shape: stovepipe (> 99 %); flare index 2.50 ± 0.06.",
        "Letter (estimated)",
        "the numbers speak for press-fit",
        "the numbers speak for cement",
        "bound: Noble 1988",
        "What speaks against",
        "For discussion only",
        "Not a medical device",
        "never validated on real femur CT",
        "12.00 ± 0.10",
    ):
        assert answer in text, answer


def test_every_text_of_the_file_is_escaped(whole_case: Case) -> None:
    case, pictures = whole_case
    hostile = replace(
        case,
        patient=PatientFacts(name=HOSTILE, identifier=HOSTILE, sex=HOSTILE, birth_date=HOSTILE),
        scan=replace(case.scan, kernel=HOSTILE, source=HOSTILE, manufacturer=HOSTILE),
        refusals=(
            Refusal(stage=HOSTILE, code=HOSTILE, message=HOSTILE, source=HOSTILE, tag=HOSTILE),
        ),
    )
    page = _make_page(hostile, pictures)
    reader, text = _read(page)
    assert page.count("<script") == 1
    assert "<img" not in page
    assert "49" not in re.findall(r"onerror=y>(\S+)", text)
    assert text.count("{{7*7}}") >= 6
    assert all(load.startswith(("#", "data:image/")) for load in reader.loads)


def test_a_deidentified_page_names_the_case_only(whole_case: Case, partial_case: Case) -> None:
    for case, pictures in (whole_case, partial_case):
        page = _make_page(case, pictures, deidentify=True)
        for secret in (
            "Quill",
            "Rosalind",
            "PX-552317",
            "1944-02-29",
            "19440229",
            "2024-05-11",
            "tuesday",
            "scan_04",
        ):
            assert secret not in page
        assert case.case_id in page
    # The age of the scan's day is an identity too; the sources' years are not.
    assert "80 years at the scan" not in page


def test_a_partial_scan_says_what_is_missing_and_why(partial_case: Case) -> None:
    _, text = _read(_make_page(*partial_case))
    assert "The right femur was not measured." in text
    assert "metal lies in the right femur" in text
    assert "The isthmus lies below the scan." in text
    assert "Not a stovepipe (> 99 %); normal or champagne flute." in text
    assert "Fixation, for discussion: undecided." in text
    assert "What would decide it" in text
    assert "at least 3.73 ± 0.05" in text


def test_a_femur_without_its_ct_keeps_its_numbers(whole_case: Case) -> None:
    case, _ = whole_case
    page = _make_page(case, ())
    _, text = _read(page)
    assert "No CT pictures" in text
    assert "data:image" not in page
    assert "12.00 ± 0.10" in text


def test_a_case_without_the_other_side_says_so(whole_case: Case) -> None:
    case, pictures = whole_case
    alone = replace(case, femora=case.femora[:1])
    _, text = _read(_make_page(alone, pictures[:1]))
    assert "No left femur was found in the scan." in text


def test_the_file_is_written_whole(whole_case: Case, whole_page: str, tmp_path: Path) -> None:
    case, pictures = whole_case
    write_page(case, make_content(case), pictures, tmp_path / "report.html")
    assert (tmp_path / "report.html").read_text(encoding="utf-8") == whole_page


@pytest.mark.parametrize(
    ("value", "u", "words"),
    [
        (3.8, 0.1, "normal (> 99 %)"),
        (4.75, 0.2, "undecided, normal (40 %) or champagne flute (60 %)"),
        (3.0, 0.5, "undecided, stovepipe (50 %) or normal (50 %)"),
        (6.8, 0.1, "outside the published range"),
    ],
)
def test_the_type_is_undecided_below_eighty_percent(value: float, u: float, words: str) -> None:
    from canalmorph.classify.shape import classify_canal

    indices = CanalIndices(values={"cfi_ml": Measurement(value=value, u=u)})
    assert words in describe_shape(classify_canal(indices), indices)


def test_every_blank_number_is_told_and_named(partial_case: Case) -> None:
    femur: FemurResult = partial_case[0].femora[0]
    told = {name for gap in list_gaps(femur) for name in gap.names}
    for column in FEMUR_COLUMNS:
        if column.measured:
            assert name_column(column.name) != column.name, column.name
            blank = not femur.indices.values.get(column.name, Measurement()).known
            assert (name_column(column.name) in told) == blank, column.name


def test_every_warning_reads_as_a_sentence(whole_case: Case) -> None:
    case, pictures = whole_case
    femur = replace(case.femora[0], warnings=("head_at_lt20", "thin_cortex_at_lt20", "new_code"))
    warned = replace(
        case,
        femora=(femur, case.femora[1]),
        scan=replace(case.scan, warnings=("clipped-high-values",)),
    )
    _, text = _read(_make_page(warned, pictures))
    assert "The head's circle is met 20 mm above the lesser trochanter" in text
    assert "The cortex is thin 20 mm above the lesser trochanter" in text
    assert "new code" in text
    assert "metal is likely" in text


def test_left_stands_against_right_and_marks_what_differs(
    whole_page: str, whole_case: Case
) -> None:
    case, pictures = whole_case
    _, text = _read(whole_page)
    notable = [found for found in case.differences if found.is_notable]
    # The right canal is 12 mm wide at the isthmus, the left one 16 mm, each known to 0.1 mm.
    assert "isthmus_canal_ml_mm" in {found.column for found in notable}
    assert "+4.00 ± 0.14 mm" in text
    assert f"{len(notable)} of {len(case.differences)} numbers differ by more than 3" in text
    assert whole_page.count('<tr class="notable">') == len(notable)
    alone = replace(case, femora=case.femora[:1], differences=())
    assert "Left against right" not in _read(_make_page(alone, pictures[:1]))[1]


def test_the_letter_stands_with_what_each_view_says(whole_page: str) -> None:
    _, text = _read(whole_page)
    for words in ("Canal, isthmus over LT", "AP view, cortical thickness index ML", "Lateral view"):
        assert text.count(words) >= 2
    assert "posterior over anterior wall 1.00" in text
    assert "common practice, no source" in text


@pytest.mark.parametrize(("kvp", "words"), [(100.0, "was 100 kV"), (None, "is not stated")])
def test_ct_numbers_stand_with_the_tube_voltage(
    whole_case: Case, kvp: float | None, words: str
) -> None:
    case, _ = whole_case
    _, text = _read(_make_page(replace(case, scan=replace(case.scan, kvp=kvp)), ()))
    assert f"hang on the tube voltage, which {words}" in text


def test_a_caution_of_one_side_names_it(whole_case: Case) -> None:
    case, _ = whole_case
    femora = tuple(
        replace(femur, advice=replace(femur.advice, cautions=("Of both.", f"Of {femur.side}.")))
        for femur in case.femora
    )
    _, text = _read(_make_page(replace(case, femora=femora), ()))
    assert "Right: Of right." in text
    assert "Left: Of left." in text
    assert "Right: Of both." not in text


def test_what_the_clinic_states_stands_under_the_cautions(whole_case: Case) -> None:
    notes = ClinicNotes(
        cautions=("Of such patients.",), stated=("Age 81 years.",), missing=("Sex: not stated.",)
    )
    _, text = _read(_make_page(*whole_case, notes=notes))
    places = [
        text.index(words)
        for words in ("Cautions", "Stated: Age 81 years.", "Of such patients.", "Sex: not stated.")
    ]
    assert places == sorted(places)
