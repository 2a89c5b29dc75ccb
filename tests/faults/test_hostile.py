"""Privacy of messages, and files made to do harm."""

import logging
import pickle

import numpy as np
import pydicom
import pytest
from pydicom.dataset import Dataset

from canalmorph.read.scans import read_series, survey_scans

CANARY = "ZZCANARY"


def test_g62_no_identity_in_messages_listings_or_logs(bench, caplog):
    caplog.set_level(logging.DEBUG)
    datasets = bench.phantom.datasets(
        PatientName=f"{CANARY}1^A",
        PatientID=f"{CANARY}2",
        InstitutionName=f"{CANARY}3",
        SeriesDescription=f"{CANARY}4",
        StudyDescription=f"{CANARY}5",
        AccessionNumber=f"{CANARY}6",
        PatientBirthDate="19330405",
    )
    paths = bench.write(datasets)
    found = bench.chosen()
    assert CANARY.encode() not in pickle.dumps(found)
    assert b"19330405" not in pickle.dumps(found)
    volume = read_series(found)
    assert volume.patient.name == f"{CANARY}1^A"
    assert CANARY not in repr(volume.facts)
    # An invalid birth date makes the library quote it.
    data = paths[7].read_bytes().replace(b"19330405", b"ZZCANARY")
    paths[7].write_bytes(data[:-3000])
    (refusal,) = [series for series in bench.survey() if series.status == "refused"]
    assert refusal.code == "truncated-file"
    assert CANARY not in repr(refusal) + str(refusal.error)
    assert CANARY not in caplog.text


def test_hostile_text_stays_text(bench):
    text = "=HYPERLINK(1)<script>{{7*7}}"
    bench.write(bench.phantom.datasets(ConvolutionKernel=text[:16], Manufacturer=text))
    volume = bench.read()
    assert volume.facts.kernel == text[:16]
    assert volume.facts.manufacturer == text


def test_deep_sequences_end_in_a_refusal(bench):
    paths = bench.write(bench.phantom.datasets())
    item = b"\xfe\xff\x00\xe0\xff\xff\xff\xff" + b"\x40\x00\x75\x02SQ\x00\x00\xff\xff\xff\xff"
    data = paths[3].read_bytes()
    place = data.index(b"\xe0\x7f\x10\x00OW")
    deep = b"\x40\x00\x75\x02SQ\x00\x00\xff\xff\xff\xff" + item * 20_000
    paths[3].write_bytes(data[:place] + deep + data[place:])
    found = survey_scans(bench.folder)
    (refusal,) = [series for series in found if series.status == "refused"]
    assert refusal.file == "scan/IM0003"
    (volume,) = [read_series(series) for series in found if series.chosen]
    assert [(gap.low_mm, gap.high_mm) for gap in volume.gaps] == [(-28.5, -22.5)]


@pytest.mark.parametrize("kind", ["inserted", "appended"])
def test_a_slice_with_bytes_that_nothing_declares_is_left_out(bench, kind):
    paths = bench.write(bench.phantom.datasets())
    data = paths[5].read_bytes()
    place = len(data) - 1500 if kind == "inserted" else len(data)
    paths[5].write_bytes(data[:place] + b"\x01\x02\x03\x04" + data[place:])
    volume = bench.read()
    (error,) = volume.unread
    assert (error.file, error.code) == ("scan/IM0005", "corrupt-file")
    (gap,) = volume.gaps
    assert (gap.low_mm, gap.high_mm) == pytest.approx((-22.5, -16.5))


def test_single_slices_beside_a_volume_are_left_out(bench):
    bench.write(bench.phantom.datasets())
    watch = bench.phantom.datasets(SeriesInstanceUID="1.2.80")[:2]
    for ds in watch:
        ds.SOPInstanceUID += ".9"
    bench.write(watch, name="W{:04d}")
    found = bench.survey()
    assert [series.status for series in found] == ["measurable", "left_out"]
    assert found[1].code == "too-few-slices"


def test_a_damaged_neighbour_is_a_warning(bench):
    paths = bench.write(bench.phantom.datasets())
    paths[0].write_bytes(np.random.default_rng(4).bytes(4000))
    assert "damaged-file-beside" in bench.chosen().warnings


def test_series_without_uids_are_kept_apart_by_folder(bench):
    for name, shift in (("a", 0), ("b", 30)):
        datasets = bench.phantom.datasets()
        for ds in datasets:
            del ds.SeriesInstanceUID, ds.StudyInstanceUID, ds.SOPInstanceUID
            bench.set_stored(ds, bench.get_stored(ds) + shift)
        folder = bench.folder / name
        folder.mkdir(parents=True)
        for number, ds in enumerate(datasets):
            pydicom.dcmwrite(
                folder / f"{number}", Dataset(ds), implicit_vr=True, little_endian=True
            )
    chosen = [series for series in bench.survey() if series.chosen]
    assert [series.source for series in chosen] == ["scan/a", "scan/b"]
    bench.assert_same_as_p(read_series(chosen[0]))
    keys = {read_series(series).facts.series_key for series in chosen}
    assert len(keys) == 2


def test_the_same_input_twice_is_one_scan(bench):
    bench.write(bench.phantom.datasets())
    found = survey_scans([bench.folder, bench.folder])
    (chosen,) = [series for series in found if series.chosen]
    assert chosen.warnings == ("duplicate-files",)
    bench.assert_same_as_p(read_series(chosen))
