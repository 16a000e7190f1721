"""Run `python -m prehowl.daemon` as the `prehowl` command."""

import sys

from prehowl.daemon.cli import main

sys.exit(main())
