"""`condmon pair`: a code by which one phone can sign in, as QR and text."""

import argparse
import sys

from condmon.commands.users import accounts_of, config_argument, put_into_log
from condmon.config import load
from condmon.web.accounts import PAIR_S, proper_name


def arguments(parser: argparse.ArgumentParser) -> None:
    """Say what `condmon pair` takes."""
    config_argument(parser)
    parser.add_argument("name", metavar="NAME", help="the account to pair a phone with")


def run(args: argparse.Namespace) -> int:
    """Print a code as QR and text. Raises UsageError, ConfigError, StoreError."""
    import segno

    config = load(args.config)
    with accounts_of(config) as accounts:
        code = accounts.pairing_code(proper_name(args.name))
        put_into_log(config, f"a code to pair a phone for {proper_name(args.name)} was made")
    assert config.web is not None
    scheme = "https" if config.web.cert_file else "http"
    own = config.web.address or f"{scheme}://{config.web.listen}:{config.web.port}"
    link = f"{own}/pair?code={code}"
    segno.make(link, error="m").terminal(out=sys.stdout, compact=True)
    print(f"\n{link}\nValid once, for {PAIR_S // 60} minutes. Whoever has it can sign in.")
    return 0
