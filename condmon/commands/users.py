"""`condmon user`: accounts of the phone page from the command line.

They work on accounts.db beside a running daemon or without one; sessions and roles take effect at
the next request. Whoever may write into the data folder needs no password here.
"""

import argparse
import contextlib
import getpass
import os
import pwd
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

from condmon.clock import Clock
from condmon.commands.owner import become_owner_of
from condmon.config import Config, load
from condmon.daemon.asked import ask
from condmon.engine.records import Action
from condmon.engine.settings import CONDMON
from condmon.errors import UsageError
from condmon.web.accounts import Accounts, Role, proper_name


def arguments(parser: argparse.ArgumentParser) -> None:
    """Say what `condmon user` takes."""
    config_argument(parser)
    rows = parser.add_subparsers(dest="do", metavar="DO", required=True)
    rows.add_parser("list", help="every account and signed-in phone")
    add = rows.add_parser("add", help="make an account; the password is asked for")
    add.add_argument("name")
    add.add_argument("--role", choices=get_args(Role), default="viewer")
    add.add_argument("--no-password", action="store_true", help="to be paired only")
    role = rows.add_parser("role", help="give an account another role")
    role.add_argument("name")
    role.add_argument("role", choices=get_args(Role))
    for do, words in (
        ("password", "set a password; it is asked for"),
        ("sign-out", "sign every phone of an account out"),
        ("remove", "take an account and its phones away"),
    ):
        rows.add_parser(do, help=words).add_argument("name")


def run(args: argparse.Namespace) -> int:
    """Do one thing to accounts. Raises UsageError, ConfigError, StoreError."""
    config = load(args.config)
    with accounts_of(config) as accounts:
        if args.do == "list":
            _list(accounts)
            return 0
        done = _done(args, accounts, proper_name(args.name))
    put_into_log(config, done)
    print(done)
    return 0


def _done(args: argparse.Namespace, accounts: Accounts, name: str) -> str:
    """Do what was asked for; words of what was done."""
    match args.do:
        case "add":
            accounts.add(name, args.role, "" if args.no_password else _new_password())
            return f"{name} was added as {args.role}"
        case "role":
            accounts.set_role(name, args.role)
            return f"{name} is now {args.role}"
        case "password":
            accounts.set_password(name, _new_password())
            return f"{name} has a new password; phones of {name} have to sign in again"
        case "sign-out":
            count = sum(accounts.sign_out(p.id) for p in accounts.phones() if p.account == name)
            return f"{count} phone(s) of {name} were signed out"
        case _:
            accounts.remove(name)
            return f"{name} was removed"


def put_into_log(config: Config, text: str) -> None:
    """Leave a line for the machine event log; a daemon that does not run now writes it later."""
    action = Action(Clock().now_us(), "note", who_asks(), machine=CONDMON, text=text)
    ask(config.store.path, action)


def config_argument(parser: argparse.ArgumentParser) -> None:
    """Declare the option that names the configuration."""
    parser.add_argument("-c", "--config", type=Path, default=Path("condmon.toml"), metavar="FILE",
                        help="the configuration (default: condmon.toml)")  # fmt: skip


@contextlib.contextmanager
def accounts_of(config: Config) -> Iterator[Accounts]:
    """The accounts of a configuration's data folder, opened as the owner of the folder."""
    if config.web is None:
        raise UsageError(
            "This configuration has no [web] section, so there is no phone page and there are no "
            "accounts. Add the section first."
        )
    become_owner_of(config.store.path)
    accounts = Accounts(config.store.path, Clock().now_us, config.web.signed_in_for_s)
    try:
        yield accounts
    finally:
        accounts.close()


def who_asks() -> str:
    """Who uses the command line, in the words of the system."""
    name = os.environ.get("SUDO_USER") or ""
    try:
        name = name or pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        name = f"user {os.getuid()}"
    return f"{name} (command line)"


def _new_password() -> str:
    """Ask twice at a terminal; else take the first line of what comes in."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    first = getpass.getpass("New password: ")
    if first != getpass.getpass("The same again: "):
        raise UsageError("The two were not the same; nothing was done.")
    return first


def _list(accounts: Accounts) -> None:
    phones = accounts.phones()
    for account in accounts.all():
        how = "password" if account.has_password else "paired only"
        print(f"{account.name:20} {account.role:9} {how}")
        for phone in phones:
            if phone.account == account.name:
                print(f"    {phone.name} from {phone.address}")
