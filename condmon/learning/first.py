"""Models learned from the first part of a recording, put on where that part ends.

`condmon replay --learn "10 d"`: what a machine's models would have said of the days after, had they
been learned by then. Nothing is kept; the data folder stays as it is.
"""

import argparse
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence

from condmon.engine.records import SECOND_US, Batch, ModelOn
from condmon.engine.words import parse_duration
from condmon.errors import UsageError
from condmon.learning.child import Learned, learned, told
from condmon.learning.cut import first_us, parted

LEAST_S = 3600.0

Learn = Callable[[int, int], Sequence[Learned]]
"""Learns from what arrived in [from, to)."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare --learn."""
    parser.add_argument(
        "--learn",
        metavar="SPAN",
        help='such as "10 d": first learn models from so much of the files, as condmon learn '
        "would, and judge what comes after with them; nothing is kept",
    )


def with_models(batches: Iterator[Batch], args: argparse.Namespace) -> Iterator[Batch]:
    """The batches with the learned models between them, as `args` of a replay ask.

    Tells what was learned: on the error output, or with --json as a line. Raises UsageError for a
    span that is none, LearningError where learning fails.
    """
    if args.learn is None:
        return batches
    span_s = parse_duration(args.learn)
    if span_s is None or span_s < LEAST_S:
        raise UsageError(
            f'--learn {args.learn}: this is no span of an hour or more; write it like "10 d"'
        )

    def learn(from_us: int, to_us: int) -> list[Learned]:
        options = ["--from", str(from_us), "--to", str(to_us)]
        found = learned(args.config, args.files, args.machine, options)
        for made in found:
            where = sys.stdout if args.json else sys.stderr
            print(told(made, as_json=args.json), file=where, flush=True)
        return found

    return inserted(batches, round(span_s * SECOND_US), learn)


def inserted(batches: Iterable[Batch], span_us: int, learn: Learn) -> Iterator[Batch]:
    """Put models on at the first record that arrived `span_us` after the very first.

    Raises UsageError where the batches end before.
    """
    from_us = to_us = None
    pending = True
    for batch in batches:
        if from_us is None and (first := first_us(batch)) is not None:
            from_us, to_us = first, first + span_us
        if not pending or from_us is None or to_us is None:
            yield batch
            continue
        before, after = parted(batch, to_us)
        if before:
            yield before
        if after:
            pending = False
            found = [made for made in learn(from_us, to_us) if made.content]
            yield [ModelOn(to_us, m.machine, m.model, m.id, m.content) for m in found]
            yield after
    if pending and from_us is not None:
        raise UsageError(
            f"--learn: the files hold less than {span_us / 86_400 / SECOND_US:g} days, so nothing "
            "was left to judge with what would be learned; give a shorter span or more files"
        )
