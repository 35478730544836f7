"""`python -m condmon` is the same as `condmon`."""

import sys

from condmon.cli import main

sys.exit(main())
