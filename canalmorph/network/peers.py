"""Whether the archives of a configuration answer."""

from canalmorph.network.dimse import ask_echo
from canalmorph.network.log import silence_libraries
from canalmorph.network.settings import NodeSettings
from canalmorph.network.web import open_web
from canalmorph.results_errors import PeerError


def check_peers(settings: NodeSettings) -> list[str]:
    """Ask each archive over each of its services, and return a sentence for each failure."""
    silence_libraries()
    failures = []
    for archive in settings.archives:
        try:
            if archive.ae_title:
                ask_echo(settings, archive)
            if archive.url:
                with open_web(archive) as client:
                    client.search_for_studies(limit=1)
        except PeerError as error:
            failures.append(str(error))
    return failures
