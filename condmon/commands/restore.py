"""`condmon restore`: the other half of backup.py, as a command of its own."""

from condmon.commands.backup import restore as run
from condmon.commands.backup import restore_arguments as arguments

__all__ = ["arguments", "run"]
