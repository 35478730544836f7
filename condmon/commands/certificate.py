"""`condmon certificate`: the page's own certificate, its authority, and how phones trust it."""

import argparse
import json
from typing import Any

from condmon.clock import Clock, rfc3339
from condmon.commands.owner import become_owner_of
from condmon.commands.users import config_argument
from condmon.config import Config, load
from condmon.config.shape import Web
from condmon.errors import StoreError, UsageError
from condmon.tls import authority
from condmon.web.installing import names_of

DAY_US = 86_400_000_000


def arguments(parser: argparse.ArgumentParser) -> None:
    """Say what `condmon certificate` takes."""
    config_argument(parser)
    parser.add_argument("--json", action="store_true", help="one JSON object on one line")
    rows = parser.add_subparsers(dest="do", metavar="DO", required=True)
    rows.add_parser("show", help="fingerprint, names and ends; how phones install it")
    rows.add_parser("renew", help="a new certificate for the page now; phones notice nothing")
    make = rows.add_parser("make", help="a new authority; every phone has to install it anew")
    make.add_argument("--sure", action="store_true",
                      help="needed where there is an authority already")  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Show, renew or make. Raises UsageError, ConfigError, StoreError."""
    config = load(args.config)
    web = config.web
    if web is None or not web.own_certificate:
        raise UsageError(
            "The configuration asks for no certificate of condmon's own. Write own_certificate = "
            "true under [web] first."
        )
    become_owner_of(config.store.path)
    try:
        _do(args, config, web)
        found = _found(config, web)
    except FileNotFoundError as error:
        raise UsageError(
            "There is no certificate yet; the daemon makes one when it starts, and "
            "`condmon certificate make` makes it now."
        ) from error
    except (OSError, ValueError) as error:
        folder = authority.places(config.store.path).page.parent
        raise StoreError(f"{folder}: cannot be used: {error}.") from error
    print(json.dumps(found) if args.json else _words(found))
    return 0


def _do(args: argparse.Namespace, config: Config, web: Web) -> None:
    folder, names, now_us = config.store.path, names_of(web), Clock().now_us()
    if args.do == "renew":
        authority.renew(folder, names, now_us)
    elif args.do == "make":
        if authority.places(folder).authority.exists() and not args.sure:
            raise UsageError(
                "There is an authority already. A new one has to be installed on every phone "
                "anew; say --sure if you want that."
            )
        authority.make_authority(folder, config.settings.site, names, now_us)
        authority.renew(folder, names, now_us)


def _found(config: Config, web: Web) -> dict[str, Any]:
    at, now_us = authority.places(config.store.path), Clock().now_us()
    ends_us = authority.ends_at_us(at.page)
    names = authority.told(at.page)
    return {
        "kind": "certificate",
        "authority": str(at.authority),
        "fingerprint": authority.fingerprint(at.authority),
        "may_sign_for": authority.constraints(at.authority),
        "authority_ends": rfc3339(authority.ends_at_us(at.authority)),
        "names": names,
        "page_ends": rfc3339(ends_us),
        "days_left": round((ends_us - now_us) / DAY_US, 1),
        "install_from": f"http://{names[0]}:{web.install_port}/" if web.install_port else None,
    }


def _words(found: dict[str, Any]) -> str:
    where = found["install_from"] or f"a copy of {found['authority']}"
    return (
        f"Authority   {found['authority']}, until {found['authority_ends'][:10]}\n"
        f"Fingerprint {found['fingerprint']}\n"
        f"May sign for {', '.join(found['may_sign_for'])}\n"
        f"Page        {', '.join(found['names'])}, until {found['page_ends'][:10]} "
        f"({found['days_left']:.0f} days left; condmon renews it)\n"
        f"Phones install the authority once, from {where}; compare the fingerprint there."
    )
