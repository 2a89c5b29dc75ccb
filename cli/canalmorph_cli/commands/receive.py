"""``canalmorph receive``: the DICOM node of a site."""

import threading
from pathlib import Path
from typing import Annotated

import typer

from canalmorph.report.parts import DRAWING_PARTS
from canalmorph_cli.exits import ExitStatus, say_error, turn_errors_into_status
from canalmorph_cli.parts import check_parts, refuse_wrong_words

NETWORK_PARTS, NETWORK_EXTRA = (
    ("pynetdicom", "dicomweb_client", "highdicom"),
    "canalmorph[network,report]",
)


@turn_errors_into_status
def receive(
    configuration: Annotated[
        Path, typer.Argument(metavar="CONFIGURATION", help="TOML file of the site's node.")
    ],
    check: Annotated[
        bool,
        typer.Option("--check", help="Check the file, ask each archive for an echo, and end."),
    ] = False,
    health: Annotated[
        bool, typer.Option("--health", help="Print the health line of the node, and end.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """Receive CT over the network, measure it, send results back.

    Results go to the archives in DICOM. Runs until it is stopped; what it owes is done after the
    next start. Log lines are JSON.
    """
    check_parts("receive", (*DRAWING_PARTS, *NETWORK_PARTS), NETWORK_EXTRA)
    from canalmorph.network.configuration import read_configuration
    from canalmorph.network.log import NodeLog
    from canalmorph.network.node import open_node, read_health
    from canalmorph.network.peers import check_peers

    with refuse_wrong_words():
        settings = read_configuration(configuration)
        if check:
            failures = check_peers(settings)
            for sentence in failures:
                say_error(sentence)
            return ExitStatus.WRONG_USAGE if failures else ExitStatus.DONE
        if health:
            NodeLog(print).tell("health", **read_health(settings))
            return ExitStatus.DONE
        try:
            with open_node(settings, NodeLog()) as node:
                node.run(threading.Event())
        except KeyboardInterrupt:
            return ExitStatus.DONE
    return ExitStatus.DONE
