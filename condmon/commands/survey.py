"""`condmon survey`: listen to a broker for a while and write a draft of the configuration.

What is guessed, and how sure, is in condmon/surveying; here is listening, reading and writing.
"""

import argparse
import logging
import sys
from collections.abc import Sequence
from pathlib import Path

from condmon import log
from condmon.capture import CutOffError
from condmon.capture.files import open_file
from condmon.capture.recording import lines, parse
from condmon.config import Broker
from condmon.engine.decode import Arrived
from condmon.errors import CondmonError, UsageError
from condmon.mqtt import listening
from condmon.surveying.draft import counts, draft
from condmon.surveying.heard import Heard
from condmon.surveying.machinery import Found, found


def arguments(parser: argparse.ArgumentParser) -> None:
    """Say what `condmon survey` takes."""
    parser.add_argument("recording", nargs="*", type=Path, metavar="RECORDING",
                        help="recordings to look at, instead of a broker")  # fmt: skip
    listening.arguments(parser)
    parser.add_argument("--for", dest="length", metavar="TIME", default="2 min",
                        help='how long to listen (default "2 min"; a day tells most)')  # fmt: skip
    parser.add_argument("-o", "--output", type=Path, metavar="FILE",
                        help="a new file for the draft (default: the terminal)")  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Listen or read, guess, write. Raises UsageError, ConfigError and CondmonError."""
    if args.recording and (args.broker or args.config):
        raise UsageError("give either recordings, or a broker with --broker or -c")
    if args.output is not None and args.output.exists():
        raise UsageError(f"{args.output} is already there; a draft is never written over a file. "
                         "Choose another name.")  # fmt: skip
    heard = Heard()
    if args.recording:
        broker = 'url = "mqtt://127.0.0.1:1883"         # please fill in\n'
        source = ", read from a recording"
        for path in args.recording:
            _read(path, heard)
    else:
        args.topic = args.topic or ["#"]  # with -c, too: what is not configured yet is of interest
        whom, topics = listening.whom(args, "survey")
        broker, source = _broker_lines(whom), ""
        _listen(whom, topics, args.length, heard)
    if not heard.messages:
        raise CondmonError(
            "nothing was heard, so there is nothing to guess from. Is the broker the right one, "
            "may this user read its topics, does anything send now? Listen longer with --for."
        )
    proposed = found(heard)
    _write(args.output, draft(heard, proposed, broker, source))
    _tell(heard, proposed, args.output)
    return 0


def _listen(whom: Broker, topics: tuple[str, ...], length: str, heard: Heard) -> None:
    length_s = listening.length_s(length)
    stop = listening.until_ended()
    log.set_up(sys.stderr.buffer, level=logging.CRITICAL)  # its own words are enough

    def keep(messages: Sequence[tuple[Arrived, int]]) -> None:
        for message, _ in messages:
            heard.hear(message)

    listening.Listening(whom, topics, keep, show=sys.stderr.isatty()).run(stop, length_s)


def _read(path: Path, heard: Heard) -> None:
    opened = open_file(path)
    if opened.kind != "recording":
        raise UsageError(f"{path}: this is a capture, in which topics and payloads are no longer; "
                         "a survey needs a recording")  # fmt: skip
    bad = 0
    try:
        for _, line in lines(opened):
            message = parse(line)
            if isinstance(message, Arrived):
                heard.hear(message)
            else:
                bad += 1
    except CutOffError as error:
        print(f"condmon: {path}: the file was cut off ({error}); what comes before was used",
              file=sys.stderr)  # fmt: skip
    if bad:
        print(f"condmon: {path}: {bad} lines that are no messages were put aside", file=sys.stderr)


def _broker_lines(broker: Broker) -> str:
    """Write the section [broker] for the broker that was listened to."""
    scheme = "mqtts" if broker.tls else "mqtt"
    host = f"[{broker.host}]" if ":" in broker.host else broker.host
    rows = [f'url = "{scheme}://{host}:{broker.port}"']
    if broker.username:
        rows.append(f'username = "{broker.username}"')
    for key in ("password_file", "ca_file", "cert_file", "key_file"):
        path = getattr(broker, key)
        if path is not None:
            rows.append(f"{key} = '{path.absolute()}'")
    return "\n".join(rows) + "\n"


def _write(path: Path | None, text: str) -> None:
    if path is None:
        print(text, end="")
        return
    try:
        with path.open("x", encoding="utf-8") as stream:
            stream.write(text)
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror}; name another place") from error


def _tell(heard: Heard, proposed: Found, path: Path | None) -> None:
    number = counts(proposed)
    print(
        f"condmon: {_count(heard.messages, 'message')}, "
        f"{_count(len(proposed.machines), 'machine')}, {_count(sum(number.values()), 'signal')}. "
        f"Roles: {number['sure']} sure, {number['likely']} likely, {number['please check']} to "
        f"check; {number['none']} without a role.",
        file=sys.stderr,
    )
    if proposed.unread:
        print(f"condmon: {_count(len(proposed.unread), 'thing')} not understood; the end of the "
              "draft says which and why", file=sys.stderr)  # fmt: skip
    for key, words in proposed.stood.items():
        print(f"condmon: {key}: {words}; listen again while it runs, for signals that were silent",
              file=sys.stderr)  # fmt: skip
    if path is not None:
        print(f"condmon: the draft is in {path}; look it over, then: condmon check -c {path}",
              file=sys.stderr)  # fmt: skip


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
