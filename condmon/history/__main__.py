"""The process that does the work on the history; started by the daemon, not by people."""

import sys

import orjson

from condmon import log
from condmon.history.chore import work

log.set_up(sys.stderr.buffer)
sys.exit(work(orjson.loads(sys.stdin.buffer.read())))
