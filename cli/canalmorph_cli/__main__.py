"""Run the command line as ``python -m canalmorph_cli``."""

import sys

from canalmorph_cli.main import main

if __name__ == "__main__":
    sys.exit(main())
