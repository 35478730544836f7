"""`condmon restore`: the other half of backup.py, as a command of its own."""

from condmon.backup import restore as run
from condmon.backup import restore_arguments as arguments

__all__ = ["arguments", "run"]
