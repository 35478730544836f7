"""The command line: one row a command; each command's module says what it takes and does it.

Exit codes: 0 done, 1 something went wrong at run time, 2 wrong usage or configuration.
"""

import argparse
import importlib
import os
import sys
from collections.abc import Sequence

from condmon import __version__
from condmon.errors import CondmonError

COMMANDS = {
    "run": ("commands.run", "watch the machines: the daemon"),
    "check": ("commands.check", "read a configuration and name every problem in it"),
    "demo": ("commands.demo", "a simulated shop, a broker and the daemon, on this machine alone"),
    "replay": ("commands.replay", "run recordings and captures through the engine"),
    "learn": ("commands.learn", "fit the models to what was recorded, and say what came of it"),
    "survey": ("commands.survey", "listen to a broker and write a draft of the configuration"),
    "record": ("commands.record", "write what a broker sends into a recording"),
    "whatif": ("commands.whatif", "what other figures would have said of the recorded time"),
    "backtest": ("commands.backtest", "judge many recorded days in parallel"),
    "publish": ("commands.publish", "send a recording or capture to a broker, n times life"),
    "capture": ("commands.export", "write a day or span out of the store as a capture"),
    "log": ("commands.logbook", "the machine event log, and acts on alerts"),
    "service": ("commands.servicecommand", "the service book: components, tasks, what is due"),
    "user": ("commands.users", "accounts of the phone page"),
    "pair": ("commands.pair", "a code by which a phone can sign in"),
    "certificate": ("commands.certificate", "the page's own certificate, and how phones trust it"),
    "backup": ("commands.backup", "copy the data folder, beside a running daemon"),
    "restore": ("commands.restore", "put a backup into an empty data folder"),
    "status": ("commands.status", "what the daemon of this data folder is doing"),
}


def main(words: Sequence[str] | None = None) -> int:
    """Run one command and give its exit code; errors of a person's making are told in words."""
    try:
        return _run(sys.argv[1:] if words is None else list(words))
    except CondmonError as error:
        print(f"condmon: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        return 0
    except BrokenPipeError:  # the reader of our output went away, as with `| head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def _run(words: list[str]) -> int:
    name = next((word for word in words if not word.startswith("-")), "")
    parser = argparse.ArgumentParser(
        prog="condmon",
        description="Watches machine tools over MQTT. It only watches: it stops no machine "
        "and is no safety device.",
    )
    parser.add_argument("--version", action="version", version=f"condmon {__version__}")
    rows = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for command, (module, text) in COMMANDS.items():
        row = rows.add_parser(command, help=text, description=text[0].upper() + text[1:] + ".")
        if command == name:  # heavy libraries load only for the command that needs them
            importlib.import_module(f"condmon.{module}").arguments(row)
    args = parser.parse_args(words)
    return int(importlib.import_module(f"condmon.{COMMANDS[args.command][0]}").run(args))


if __name__ == "__main__":
    sys.exit(main())
