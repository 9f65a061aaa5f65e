"""Run the command line with `python -m planner`."""

import sys

from planner.cli import main

sys.exit(main())
