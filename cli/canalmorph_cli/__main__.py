"""Run the command line as ``python -m canalmorph_cli``."""

import sys

from canalmorph_cli.main import run_command

if __name__ == "__main__":
    sys.exit(run_command())
