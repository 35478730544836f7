"""`condmon run`: the daemon, until it is told to stop."""

import argparse
import os
import signal
import sys
import threading
from pathlib import Path

from condmon import log
from condmon.clock import Clock
from condmon.config import load
from condmon.daemon.reload import Reload
from condmon.daemon.service import Service
from condmon.delivery.onset import draw_of
from condmon.senders import make

_log = log.get("service")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument("-c", "--config", type=Path, default=Path("condmon.toml"), metavar="FILE",
                        help="the configuration (default: condmon.toml)")  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Watch until SIGTERM or SIGINT. Raises ConfigError, StoreError, LockedError."""
    os.umask(os.umask(0o077) | 0o027)  # what is written here is nobody else's to read
    config = load(args.config)
    log.set_up()
    for warning in config.warnings:
        _log.warning("configuration", warning=warning)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    service = Service(config, Clock(), make(config, draw_of(config)))
    reload = Reload(args.config, stop, service.note)
    signal.signal(signal.SIGHUP, reload.ask)
    print(service.greeting(), file=sys.stderr, flush=True)
    service.run(stop, comes_back=lambda: reload.wanted)
    if reload.wanted:
        reload.again()
    return 0
