"""A site's file: every word is checked, and what is wrong is one sentence that names its place."""

import re
from pathlib import Path

import pytest

from canalmorph.network.configuration import read_configuration
from canalmorph.network.settings import Archive, Limits, MeasureSettings, Sender

SMALL = """
[node]
ae_title = "CANALMORPH"
folder = "node"
results = "results"
"""
WHOLE = """
[node]
ae_title = "CANALMORPH"
address = "0.0.0.0"
port = 104
folder = "node"
results = "/srv/results"
quiet_s = 30
broken_quiet_s = 90.5

[measure]
deidentify = true
workers = 2
case_timeout_min = 5
facts = "facts.csv"

[limits]
associations = 3
largest_object_mb = 2
idle_s = 10
association_min = 1
free_gb = 0.5

[[senders]]
ae_title = "SCANNER"
address = "192.0.2.7"

[[senders]]
ae_title = "ARCHIVE"

[[archives]]
name = "pacs"
ae_title = "ARCHIVE"
host = "pacs.example"
port = 11112
commitment = false
fetch = "move"

[[archives]]
name = "web"
url = "https://web.example/dicom-web/"
send = false
"""


def read(folder: Path, text: str):
    file = folder / "node.toml"
    file.write_text(text, "utf-8")
    return read_configuration(file)


def test_what_is_not_said_has_a_value_that_is_safe(tmp_path: Path) -> None:
    settings = read(tmp_path, SMALL)
    # Reached from this machine alone, and by nobody who is not named.
    assert (settings.address, settings.port) == ("127.0.0.1", 11112)
    assert settings.senders == settings.archives == ()
    assert settings.folder == tmp_path / "node"
    assert settings.limits == Limits()
    assert settings.measure == MeasureSettings()


def test_every_word_arrives(tmp_path: Path) -> None:
    (tmp_path / "facts.csv").write_text("case_id\n")
    settings = read(tmp_path, WHOLE)
    assert (settings.address, settings.port, settings.quiet_s) == ("0.0.0.0", 104, 30.0)
    assert settings.results == Path("/srv/results")
    assert settings.broken_quiet_s == 90.5
    assert settings.measure == MeasureSettings(
        deidentify=True, workers=2, case_timeout_s=300.0, facts=tmp_path / "facts.csv"
    )
    assert settings.limits == Limits(
        associations=3,
        largest_object_bytes=2 * 2**20,
        idle_s=10.0,
        association_s=60.0,
        free_bytes=2**29,
    )
    assert settings.senders == (
        Sender(ae_title="SCANNER", address="192.0.2.7"),
        Sender(ae_title="ARCHIVE"),
    )
    assert settings.archives == (
        Archive(
            name="pacs",
            ae_title="ARCHIVE",
            host="pacs.example",
            port=11112,
            commitment=False,
            fetch="move",
        ),
        Archive(name="web", url="https://web.example/dicom-web", send=False, fetch="web"),
    )


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("x", "node.toml is no TOML: .*"),
        ("a = 1", "the file lacks 'node'."),
        (SMALL + "prot = 1", "node has an unknown word 'prot'; did you mean 'port'[?]"),
        (SMALL.replace("folder", "place"), "node lacks 'folder'."),
        (SMALL + "port = '104'", "node.port must be a whole number from 0 to 65535, got '104'."),
        (SMALL + "port = 65536", "node.port must be a whole number from 0 to 65535, got 65536."),
        (SMALL + "port = true", "node.port must be a whole number from 0 to 65535, got True."),
        (SMALL + "address = 'here'", "node.address must be a numeric IP address, got 'here'."),
        (SMALL + "quiet_s = nan", "node.quiet_s must be a number from 0.1 to 86400, got nan."),
        (SMALL + "quiet_s = 900", "node.broken_quiet_s must not be below node.quiet_s."),
        (
            SMALL.replace("CANALMORPH", "A-TITLE-THAT-IS-TOO-LONG"),
            "node.ae_title must be at most 16 plain characters, got 'A-TITLE-THAT-IS-TOO-LONG'.",
        ),
        (
            SMALL.replace('"results"', '"node/results"'),
            "node.folder and node.results must not lie in each other.",
        ),
        (SMALL + "[senders]\nae_title = 'A'", r"senders must be tables, each under \[\[senders.*"),
        (SMALL + 2 * "[[senders]]\nae_title = 'A'\n", "senders.ae_title 'A' stands twice."),
        (SMALL + "[[archives]]\nname = 'a'", r"archives\[1\] lacks 'ae_title'."),
        (
            SMALL + "[[archives]]\nname = 'a'\nurl = 'web.example'",
            r"archives\[1\].url must be an address that begins with https:// or http://, got .*",
        ),
        (
            SMALL + "[[archives]]\nname='a'\nae_title='B'\nhost='c'\nfetch='web'",
            r"archives\[1\].fetch is 'web', which needs a url.",
        ),
        (
            SMALL + "[[archives]]\nname='a'\nurl='https://c'\nfetch='get'",
            r"archives\[1\].fetch is 'get', which needs an ae_title.",
        ),
        (
            SMALL + "[[archives]]\nname='a'\nae_title='B'\nhost='c'\ntls=true",
            "An archive has tls = true, which needs the table tls.",
        ),
        (SMALL + "[tls]\nkey = 'k'", "tls lacks 'certificate'."),
        (
            SMALL + "[measure]\nfacts = 'none.csv'",
            r"measure.facts names .*none.csv, which cannot be read \(No such file or directory\).",
        ),
    ],
)
def test_what_is_wrong_is_one_sentence(tmp_path: Path, text: str, sentence: str) -> None:
    with pytest.raises(ValueError, match=f"{sentence}$") as raised:
        read(tmp_path, text)
    assert not re.search(r"\n", str(raised.value))


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"absent.toml cannot be read \(No such file"):
        read_configuration(tmp_path / "absent.toml")
