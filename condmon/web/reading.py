"""The journal as the pages read it: bounded questions only."""

from typing import Any

import orjson

from condmon.engine.outputs import Alert, Entry
from condmon.store.entries import EntryReader, Wanted
from condmon.store.journal import Delivery, alert_of, message_of

_ENTRY = "SELECT id, at_us, machine, kind, text, facts, seq FROM entry"
_DELIVERY = (
    "SELECT key, route, delivery.state, born_us, due_us, tries, told, reason, done_us, body"
    " FROM delivery JOIN message ON message.id = delivery.message"
)


class PageReader(EntryReader):
    """An `EntryReader` with what pages ask."""

    def entry(self, entry_id: str) -> Entry | None:
        """One entry."""
        rows = self._rows(f"{_ENTRY} WHERE id = ?", entry_id)
        return _entry(rows[0]) if rows else None

    def entries_before(
        self, seq: int, limit: int, machine: str = "", kind: str = "", words: str = ""
    ) -> list[tuple[int, Entry]]:
        """Entries older than `seq` (0: from the newest), newest first, with their places."""
        found = self.find(Wanted(machine, kind, words), limit, seq)
        return [(one.seq, one.entry) for one in found]

    def entries_between(self, machine: str, from_us: int, to_us: int, limit: int) -> list[Entry]:
        """A machine's duty changes and what people wrote in a span, newest first, bounded."""
        rows = self._rows(
            f"{_ENTRY} WHERE machine = ? AND kind IN ('duty', 'action') AND at_us BETWEEN ? AND ?"
            " ORDER BY seq DESC LIMIT ?",
            machine,
            from_us,
            to_us,
            limit,
        )
        return [_entry(row) for row in rows]

    def duties(self, machine: str, from_us: int, to_us: int) -> list[tuple[int, str]]:
        """(at_us, duty) of a machine's changes in a span and the one before, the oldest first."""
        rows = self._rows(
            "SELECT at_us, json_extract(facts, '$.duty') FROM entry WHERE machine = ?1"
            " AND kind = 'duty' AND at_us <= ?3 AND at_us >= coalesce((SELECT max(at_us) FROM entry"
            " WHERE machine = ?1 AND kind = 'duty' AND at_us <= ?2), ?2) ORDER BY at_us, seq"
            " LIMIT 20000",
            machine,
            from_us,
            to_us,
        )
        return [(int(at_us), str(duty or "")) for at_us, duty in rows]

    def entries_of_alert(self, alert_id: str, machine: str, limit: int) -> list[Entry]:
        """What the log says of one alert, newest first; looks at the machine's last 2000."""
        rows = self._rows(
            "SELECT * FROM (SELECT id, at_us, machine, kind, text, facts, seq FROM entry"
            " WHERE machine = ? AND kind IN ('alert', 'action') ORDER BY seq DESC LIMIT 2000)"
            " WHERE json_extract(facts, '$.alert') = ? LIMIT ?",
            machine,
            alert_id,
            limit,
        )
        return [_entry(row) for row in rows]

    def unexplained(self, limit: int) -> list[Alert]:
        """Alerts that are over and have no cause, the oldest first."""
        rows = self._rows(
            "SELECT body FROM alert WHERE ended_us IS NOT NULL"
            " AND json_extract(body, '$.cause') = '' ORDER BY raised_us LIMIT ?",
            limit,
        )
        return [alert_of(row[0]) for row in rows]

    def unexplained_count(self) -> int:
        """How many alerts are over and have no cause."""
        sql = (
            "SELECT count(*) FROM alert WHERE ended_us IS NOT NULL"
            " AND json_extract(body, '$.cause') = ''"
        )
        return int(self._rows(sql)[0][0])

    def deliveries_of(self, route: str, limit: int) -> list[Delivery]:
        """The newest deliveries of a way, newest first."""
        rows = self._rows(
            f"{_DELIVERY} WHERE route = ? ORDER BY delivery.seq DESC LIMIT ?", route, limit
        )
        return [Delivery(*(*row[:9], message_of(row[9]))) for row in rows]

    def last_sent_us(self, route: str) -> int | None:
        """When a way last took a message."""
        rows = self._rows(
            "SELECT max(done_us) FROM delivery WHERE route = ? AND state = 'sent'", route
        )
        return rows[0][0] if rows else None

    def last_test_us(self, route: str) -> int | None:
        """When a way last took a test message."""
        rows = self._rows(
            "SELECT max(done_us) FROM delivery WHERE thread = 'test' AND route = ?"
            " AND state = 'sent'",
            route,
        )
        return rows[0][0] if rows else None

    def oldest_waiting_us(self, route: str) -> int | None:
        """Since when the oldest message that waits for a way has waited."""
        rows = self._rows(
            "SELECT min(born_us) FROM delivery WHERE route = ? AND state IN ('waiting', 'leased')",
            route,
        )
        return rows[0][0] if rows else None


def _entry(row: tuple[Any, ...]) -> Entry:
    return Entry(*(*row[:5], orjson.loads(row[5])))
