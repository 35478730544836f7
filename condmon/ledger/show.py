"""Entries and the verdict on their chain as lines: for people, and as JSON."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from condmon.clock import rfc3339
from condmon.engine.settings import Calendar
from condmon.ledger.verify import Verdict
from condmon.store.chain import NOTED
from condmon.store.entries import Numbered

FAULTS_SHOWN = 50


def entry_facts(one: Numbered) -> dict[str, Any]:
    """An entry as the commands give it in JSON."""
    entry = one.entry
    return {
        "kind": "entry", "number": one.seq, "id": entry.id, "at": rfc3339(entry.at_us),
        "machine": entry.machine, "of": entry.kind, "text": entry.text,
        "facts": dict(entry.facts), "hash": one.hash.hex(),
    }  # fmt: skip


def entry_lines(
    found: Sequence[Numbered], corrections: Mapping[str, Sequence[Numbered]], calendar: Calendar
) -> Iterator[str]:
    """A line an entry, with what was put right later below it."""
    for seq, _, entry in found:
        by = f" ({entry.facts['by']})" if entry.facts.get("by") else ""
        yield printable(
            f"{calendar.text(entry.at_us)}  {seq:>6}  {entry.machine:10} {entry.text}{by}"
        )
        for later in corrections.get(entry.id, ()):
            when = calendar.text(later.entry.at_us)
            yield printable(
                f"{'':21}       corrected {when} by entry {later.seq}: "
                f"{later.entry.text.removeprefix('correction: ')}"
            )


def printable(text: str) -> str:
    """Text without signs that a terminal would obey."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)


def verdict_facts(verdict: Verdict) -> Iterator[dict[str, Any]]:
    """One object a fault, and a summary."""
    for fault in verdict.faults:
        yield {"kind": "fault", "of": fault.kind, "first": fault.first, "last": fault.last,
               "text": fault.text}  # fmt: skip
    yield {
        "kind": "summary", "whole": verdict.whole, "entries": verdict.entries,
        "began": rfc3339(verdict.began_us), "reason": verdict.reason,
        "older_entries": verdict.older, "chain": verdict.chain, "head": str(verdict.head),
        "heads_fit": verdict.heads_fit, "heads_of_earlier_chains": verdict.heads_of_others,
        "faults": len(verdict.faults) + verdict.more_faults,
    }  # fmt: skip


def verdict_lines(verdict: Verdict, calendar: Calendar) -> Iterator[str]:
    """The verdict for people."""
    if not verdict.chain and verdict.whole:
        yield "The log has no entry yet."
        return
    if verdict.whole:
        photos = f", with {len(verdict.photos)} photos" if verdict.photos else ""
        yield f"The log is whole: {verdict.entries} entries, each as it was written{photos}."
    for fault in verdict.faults[:FAULTS_SHOWN]:
        yield f"{fault.kind.upper()}: {fault.text}"
    more = len(verdict.faults) - FAULTS_SHOWN + verdict.more_faults
    if more > 0:
        yield f"... and {more} further places that do not fit"
    if not verdict.whole:
        yield (f"The log of {verdict.entries} entries is not as it was written. Keep a copy of "
               "the journal and of the last backup; find out who could write there.")  # fmt: skip
    if not verdict.chain:
        return
    yield (f"Chain {verdict.chain}, begun {calendar.text(verdict.began_us)}: {verdict.reason}"
           + (f" ({verdict.older} entries)" if verdict.older else ""))  # fmt: skip
    if verdict.heads_fit or verdict.heads_of_others:
        earlier = (f"; {verdict.heads_of_others} were noted under earlier chains"
                   if verdict.heads_of_others else "")  # fmt: skip
        yield f"Heads noted before that lie on it: {verdict.heads_fit}{earlier} ({NOTED})"
    if verdict.whole:
        yield f"Head {verdict.head}"
        yield (
            "Note the head outside this computer: with it, `condmon log verify --head HEAD` also "
            "finds a log that was cut off or made anew."
        )
