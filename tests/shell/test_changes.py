"""What was changed in the configuration is one line of the log; nothing secret stands in it."""

import pytest

from condmon.store.changes import SEEN, TEXT_CHARS_MAX, changed
from tests.daemons import MILL
from tests.shops import shop

__all__ = ["shop"]

BEFORE = """
[site]
name = "North Pier Optics"
[[machine]]
id = "mill-1"
[machine.signal.flow]
topic = "a/b"
stale_after = "60 s"
[[check]]
id = "door"
when = "x > 1"
[[send.webhook]]
name = "phone"
url = "https://hook.pier.example/swordfish"
"""


@pytest.fixture
def told(tmp_path):
    path = tmp_path / "condmon.toml"

    def after(text):
        path.write_text(text)
        return changed(path, tmp_path)

    assert "" == after(BEFORE)  # nothing to compare with
    return after


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("", "", ""), ("\n[site]", "\n# a remark\n[site]", ""),
        ('"60 s"', '"120 s"', 'machine mill-1 signal flow stale_after "60 s" -> "120 s"'),
        ("x > 1", "x > 2", 'check door when "x > 1" -> "x > 2"'),
        ('stale_after = "60 s"', "", "machine mill-1 signal flow stale_after removed"),
        ('stale_after = "60 s"', 'stale_after = "60 s"\ntrip = 5.5',
         "machine mill-1 signal flow trip = 5.5 added"),
        ("swordfish", "clownfish", "send webhook phone url"),
        ('name = "phone"', 'name = "phone"\nsecret_file = "swordfish"',
         "send webhook phone secret_file added"),
    ],
)  # fmt: skip
def test_change_is_told_by_its_key_and_where_it_is_no_secret_with_values(told, old, new, said):
    line = told(BEFORE.replace(old, new, 1) if old else BEFORE)
    assert (f"the configuration was changed: {said}" if said else "") == line
    assert "fish" not in line
    assert "" == told(BEFORE.replace(old, new, 1) if old else BEFORE)


def test_many_changes_are_counted_and_the_line_stays_short(told):
    more = "".join(f'[machine.signal.s{n}]\ntopic = "{"t" * 90}"\n' for n in range(40))
    line = told(BEFORE.replace("[[check]]", f"{more}[[check]]"))
    assert len(line) < TEXT_CHARS_MAX + 60
    assert line.endswith(" more")


def test_what_is_kept_is_for_the_owner_only_and_holds_no_address(told, tmp_path):
    kept = tmp_path / SEEN
    assert 0o600 == kept.stat().st_mode & 0o777
    assert b"fish" not in kept.read_bytes()


@pytest.mark.parametrize("harm", [b"", b"[]", b"\xff{", b"null"])
def test_unreadable_memory_is_made_anew(told, tmp_path, harm):
    (tmp_path / SEEN).write_bytes(harm)
    assert "" == told(BEFORE + "\n[plan]\n")
    assert "plan x" in told(BEFORE + "\n[plan]\nx = 1\n")


def test_restart_with_a_changed_configuration_is_in_the_log_with_its_keys(shop):
    first = shop.service()
    shop.live(first, 2, 40.0)
    shop.leave(first)
    shop.configure(MILL.replace("bearing > 50", "bearing > 55"))
    second = shop.service()
    shop.live(second, 2, 40.0)
    line = 'check bearing-over-limit when "bearing > 50" -> "bearing > 55"'
    assert [f"the configuration was changed: {line}"] == [
        text for text in shop.texts("action") if "configuration" in text
    ]


def test_clock_that_is_behind_the_last_record_is_in_the_log(shop):
    first = shop.service()
    shop.live(first, 3, 40.0)
    shop.leave(first)
    shop.clock._at_us -= 3600 * 1_000_000
    second = shop.service()
    shop.live(second, 2, 40.0)
    (line,) = (text for text in shop.texts("action") if "clock" in text)
    assert "the clock of this computer is behind" in line
    assert "goes on from the last record" in line


def test_damaged_journal_is_in_the_log_that_follows_it(shop):
    first = shop.service()
    shop.live(first, 3, 40.0)
    shop.leave(first)
    (shop.store / "journal.db").write_bytes(b"power came back\n" * 4000)
    for path in shop.store.glob("journal.db-*"):
        path.unlink()
    second = shop.service()
    shop.live(second, 2, 40.0)
    (line,) = (text for text in shop.texts("action") if "damaged" in text)
    assert "journal.damaged-1.db" in line
