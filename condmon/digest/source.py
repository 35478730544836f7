"""What the journal knows of a span of time, for the morning note and the weekly report."""

from typing import Any

import orjson

from condmon.digest.compose import OLDEST_SHOWN, Happened, Undelivered
from condmon.engine.outputs import Entry
from condmon.engine.settings import Settings
from condmon.engine.view import View
from condmon.store.journal import Reader, alert_of, message_of

OLD_US = 900_000_000
"""A message that has waited so long is told of as not delivered."""
ROWS_MAX = 2000
_TROUBLES = {
    "unusable": "sends nothing usable",
    "silent": "silent",
    "never": "nothing has come yet",
}


class DigestReader(Reader):
    """A `Reader` that gathers a span; raises StoreError like it."""

    def happened(self, from_us: int, to_us: int, silent: tuple[str, ...] = ()) -> Happened:
        """Everything a report is made of; of a span long ago, alerts stand as they do now."""
        raised = self._rows(
            "SELECT body FROM alert WHERE raised_us > ? AND raised_us <= ? ORDER BY raised_us, id"
            " LIMIT ?", from_us, to_us, ROWS_MAX,
        )  # fmt: skip
        unexplained = "FROM alert WHERE ended_us <= ? AND json_extract(body, '$.cause') = ''"
        oldest = self._rows(
            f"SELECT body {unexplained} ORDER BY raised_us LIMIT ?",
            to_us,
            OLDEST_SHOWN,
        )
        entries = self._entries(from_us, to_us)
        return Happened(
            from_us,
            to_us,
            tuple(alert_of(row[0]) for row in raised),
            tuple(a for a in self.alerts(open_only=True) if a.raised_us <= to_us),
            tuple(alert_of(row[0]) for row in oldest),
            int(self._rows(f"SELECT count(*) {unexplained}", to_us)[0][0]),
            entries,
            self._duties(from_us, to_us),
            tuple(
                (int(e.facts["from_us"] or 0), int(e.facts["to_us"] or 0))
                for e in entries
                if e.kind == "gap" and "from_us" in e.facts and "to_us" in e.facts
            ),
            self._undelivered(from_us, to_us),
            silent,
            str(self.head() or ""),
        )

    def began_us(self) -> int:
        """When the first thing in the log happened, 0: nothing is in it."""
        rows = self._rows("SELECT min(at_us) FROM entry")
        return int(rows[0][0] or 0)

    def has_digest(self, at_us: int) -> bool:
        """Whether a morning note of this instant was written already."""
        sql = "SELECT 1 FROM message WHERE kind = 'digest' AND urgency = 'note' AND at_us = ?"
        return bool(self._rows(sql, at_us))

    def _entries(self, from_us: int, to_us: int) -> tuple[Entry, ...]:
        rows = self._rows(
            "SELECT id, at_us, machine, kind, text, facts FROM entry WHERE at_us > ? AND at_us <= ?"
            " AND kind IN ('action', 'gap', 'start', 'sensor', 'clock', 'service')"
            " ORDER BY at_us DESC, seq DESC LIMIT ?", from_us, to_us, ROWS_MAX,
        )  # fmt: skip
        return tuple(_entry(row) for row in reversed(rows))

    def _duties(self, from_us: int, to_us: int) -> tuple[Entry, ...]:
        before = self._rows(
            "SELECT id, max(at_us), machine, kind, text, facts FROM entry"
            " WHERE kind = 'duty' AND at_us <= ? GROUP BY machine",
            from_us,
        )
        since = self._rows(
            "SELECT id, at_us, machine, kind, text, facts FROM entry WHERE kind = 'duty'"
            " AND at_us > ? AND at_us <= ? ORDER BY at_us, seq LIMIT ?",
            from_us, to_us, 20 * ROWS_MAX,
        )  # fmt: skip
        return tuple(_entry(row) for row in [*before, *since])

    def _undelivered(self, from_us: int, to_us: int) -> tuple[Undelivered, ...]:
        rows = self._rows(
            "SELECT route, body, reason, state FROM delivery"
            " JOIN message ON message.id = delivery.message WHERE"
            " (state = 'failed' AND coalesce(done_us, born_us) > ?1 AND born_us <= ?2)"
            " OR (state IN ('waiting', 'leased') AND born_us < ?3) ORDER BY born_us LIMIT ?4",
            from_us, to_us, to_us - OLD_US, ROWS_MAX,
        )  # fmt: skip
        return tuple(
            Undelivered(route, message_of(body).title, reason or "", state == "failed")
            for route, body, reason, state in rows
        )


def silent_signals(view: View, settings: Settings) -> tuple[str, ...]:
    """Signals that cannot be relied on now, each with its machine and its trouble."""
    found = []
    for machine, seen in zip(settings.machines, view.machines, strict=True):
        for signal, one in zip(machine.signals, seen.signals, strict=True):
            trouble = _TROUBLES.get(one.standing)
            if trouble:
                found.append(f"{machine.name}: {signal.label()}, {trouble}")
    return tuple(found)


def _entry(row: tuple[Any, ...]) -> Entry:
    return Entry(*(*row[:5], orjson.loads(row[5])))
