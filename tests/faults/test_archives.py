"""Hostile and damaged zips (I80): the whole archive is refused at its first bad entry."""

import stat
import zipfile

import pytest


@pytest.fixture
def archive(bench, tmp_path):
    """Return a function that zips P's slices and more entries."""
    paths = bench.write(bench.phantom.datasets())

    def make(entries, name="scan.zip"):
        target = tmp_path / name
        with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as packed:
            for path in paths:
                packed.write(path, path.name)
            for entry, data in entries:
                packed.writestr(entry, data)
        return target

    return make


@pytest.mark.parametrize(
    "name", ["../../evil", "/evil", "a/../../evil", "..\\evil", "\\evil", "C:\\evil", "C:evil"]
)
def test_i80_an_entry_that_climbs_out_refuses_the_archive(bench, archive, tmp_path, name):
    before = sorted(tmp_path.rglob("*"))
    path = archive([(name, b"x")])
    assert bench.refusal(path).code == "archive-unsafe"
    assert sorted(tmp_path.rglob("*")) == sorted([*before, path])


def test_i80_a_link_refuses_the_archive(bench, archive):
    info = zipfile.ZipInfo("link")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    assert bench.refusal(archive([(info, b"/etc")])).code == "archive-unsafe"


def test_i80_a_bomb_refuses_the_archive(bench, archive):
    assert bench.refusal(archive([("zeros", bytes(300 << 20))])).code == "archive-unsafe"


def test_i80_names_with_dots_and_spaces_are_harmless(bench, archive):
    path = archive([("a..b/..c/notes ..txt", b"x")])
    bench.assert_same_as_p(bench.read(path))


def test_an_unreadable_zip_is_refused(bench, archive):
    path = archive([])
    path.write_bytes(path.read_bytes()[:2000])
    assert bench.refusal(path).code == "archive-unreadable"
    path.write_bytes(b"no zip at all")
    assert bench.refusal(path).code == "archive-unreadable"


def test_an_empty_zip_is_refused(bench, tmp_path):
    path = tmp_path / "empty.zip"
    zipfile.ZipFile(path, "w").close()
    assert bench.refusal(path).code == "no-images"


def test_a_damaged_entry_is_named_and_leaves_a_gap(bench, archive):
    path = archive([])
    with zipfile.ZipFile(path) as packed:
        info = packed.getinfo("IM0007")
    data = bytearray(path.read_bytes())
    place = info.header_offset + 30 + len("IM0007") + 40
    data[place : place + 8] = b"\xff" * 8
    path.write_bytes(bytes(data))
    found = bench.survey(path)
    (chosen,) = [series for series in found if series.chosen]
    assert "missing" in chosen.message
    assert any(series.file == "scan.zip/IM0007" for series in found)


def test_an_encrypted_zip_is_refused(bench, archive):
    path = archive([])
    data = bytearray(path.read_bytes())
    # Set the encryption bit in every central directory record.
    start = 0
    while (start := data.find(b"PK\x01\x02", start)) >= 0:
        data[start + 8] |= 1
        start += 4
    path.write_bytes(bytes(data))
    assert bench.refusal(path).code == "archive-unreadable"


def test_a_zip_among_folders_is_found(bench, archive, tmp_path):
    path = archive([], name="inner.zip")
    target = tmp_path / "folder" / "deep"
    target.mkdir(parents=True)
    path.rename(target / "inner.zip")
    volume = bench.read(tmp_path / "folder")
    bench.assert_same_as_p(volume)
    assert volume.facts.source.startswith("folder/deep/inner.zip")
