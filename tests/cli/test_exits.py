"""How a command ends that is told to stop."""

import os
import signal

import pytest
import typer

from canalmorph_cli.exits import ExitStatus, turn_errors_into_status


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_command_that_is_stopped_cleans_up_and_says_so(
    how: signal.Signals, capsys: pytest.CaptureFixture[str]
) -> None:
    before = signal.getsignal(signal.SIGTERM)
    cleaned = []

    @turn_errors_into_status
    def wait() -> ExitStatus:
        try:
            os.kill(os.getpid(), how)
            signal.pause()
        finally:
            cleaned.append(True)
        return ExitStatus.DONE

    with pytest.raises(typer.Exit) as ended:
        wait()
    assert ended.value.exit_code == ExitStatus.INTERRUPTED
    assert cleaned
    assert capsys.readouterr().err == "canalmorph: stopped; cases that were measured are kept.\n"
    assert signal.getsignal(signal.SIGTERM) == before
