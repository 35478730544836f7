"""`condmon learn`: fits models to what was recorded and says in words what came of it.

The fitting runs in a short-lived process of its own. A model that was fitted is kept in the data
folder; a running daemon takes it up within seconds, any other at its next start.
"""

import argparse
from pathlib import Path

from condmon import spans
from condmon.clock import Clock
from condmon.commands.owner import become_owner_of
from condmon.config import load
from condmon.engine.records import SECOND_US
from condmon.engine.settings import Settings
from condmon.engine.words import nearest
from condmon.errors import UsageError
from condmon.learning.child import DAYS, learned, told
from condmon.learning.models import keep


def arguments(parser: argparse.ArgumentParser) -> None:
    """Say what `condmon learn` takes."""
    parser.add_argument(
        "files",
        nargs="*",
        type=Path,
        metavar="FILE",
        help=f"recordings and captures to learn from; without any, the last {DAYS} recorded days",
    )
    parser.add_argument(
        "-c",
        "--config",
        type=Path,
        default=Path("condmon.toml"),
        metavar="FILE",
        help="the configuration (default: condmon.toml)",
    )
    parser.add_argument("--machine", metavar="M", help="learn this machine alone")
    spans.arguments(parser)
    parser.add_argument(
        "--since",
        dest="changed",
        metavar="TIME",
        help="also say what changed since, e.g. a service",
    )
    parser.add_argument("--dry", action="store_true", help="only say it, keep no model")
    parser.add_argument("--json", action="store_true", help="one JSON object a line")
    parser.epilog = "Exit code 0: at least one model was fitted; 1: none was, the words say why."


def run(args: argparse.Namespace) -> int:
    """Learn, tell, keep; 1 where no model came of it."""
    config = load(args.config)
    machines = [machine.id for machine in config.settings.machines]
    if args.machine not in {None, *machines}:
        raise UsageError(
            f"--machine {args.machine}: the configuration has no such machine"
            f"{nearest(args.machine, machines)}; it has {', '.join(machines)}"
        )
    for path in args.files:
        if not path.is_file():
            raise UsageError(f"{path}: there is no such file")
    found = learned(args.config, args.files, args.machine, _options(args, config.settings))
    for made in found:
        if made.content and not args.dry:
            become_owner_of(config.store.path)
            keep(config.store.path, made)
        print(told(made, as_json=args.json))
    if not found and not args.json:
        print("There is nothing to learn from: no machine has a recorded day yet.")
    return 0 if any(made.content for made in found) else 1


def _options(args: argparse.Namespace, settings: Settings) -> list[str]:
    """What the process is told of times."""
    asked = spans.asked(args, settings)
    from_us, to_us = asked or spans.ALL
    if asked is None and not args.files:
        from_us = Clock().now_us() - DAYS * 86_400 * SECOND_US
    out = ["--from", str(from_us), "--to", str(to_us)]
    if args.changed is not None:
        since = argparse.Namespace(day=None, since=args.changed, until=None)
        moment = spans.asked(since, settings)
        out += ["--since", str(moment[0] if moment else 0)]
    return out
