"""Finding entries: by machine, kind, time and words; no text a person types raises."""

import string

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from condmon.engine.outputs import Entry
from condmon.errors import StoreError
from condmon.store.entries import ROWS_AT_ONCE, EntryReader, Wanted
from condmon.store.journal import Journal
from tests.generated import generated
from tests.letters import NOW_US, entry
from tests.shell.test_chain import journal_of_form_one

TEXTS = (
    "coolant pump looked at, 12 L/min",
    "Kühlmittel nachgefüllt, Düse frei",
    "raised: upper spindle bearing is hot",
    'note: "air/flow" at 50 % + more; 3/4 in hose -> new',
    "bearing block M16 exchanged",
    "the bearing of the pump; coolant hose",
)


@pytest.fixture(scope="module")
def reader(tmp_path_factory):
    folder = tmp_path_factory.mktemp("entries")
    journal = Journal(folder)
    kinds = ("action", "action", "alert", "action", "action", "duty")
    journal.write(
        [
            Entry(f"e{n}", NOW_US + n, "mill-2" if n == 5 else "mill-1", kind, text,
                  {"by": "Jon O'Neil"} if kind == "action" else {"check": "bearing-hot"})
            for n, (kind, text) in enumerate(zip(kinds, TEXTS, strict=True), 1)
        ],
        1, (), NOW_US,
    )  # fmt: skip
    journal.close()
    with EntryReader(folder) as opened:
        yield opened


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("coolant", [6, 1]), ("COOL", [6, 1]), ("coolant pump", [6, 1]), ("bearing upper", [3]),
        ("kuhlmittel", [2]), ("Düse", [2]), ("duse", [2]), ("air/flow", [4]), ("flow/air", []),
        ('"air', [4]), ("m16", [5]), ("o'neil", [5, 4, 2, 1]), ("bearing-hot", [6, 3]),
        ("mill-2", [5]), ("->", [4]), ("%", [4]), ("+ more", [4]), ("earing", []), ("nothing", []),
        ("", [6, 5, 4, 3, 2, 1]), ("   ", [6, 5, 4, 3, 2, 1]), ("coolant -> ", []),
    ],
)  # fmt: skip
def test_words_are_beginnings_of_words_and_all_must_occur(reader, words, found):
    assert found == [one.seq for one in reader.find(Wanted(words=words), 50)]


@generated(usual=150, per_mille=34)
@given(words=st.text(st.sampled_from(string.printable + "äß\x00\ud800\u200b\uffff日"), max_size=40))
@example(words='" OR 1=1 --')
@example(words="NEAR(a b, 3) AND * ^ : {x} col:y")
@example(words="a" * 5000)
@example(words="x " * 3000)
@example(words="e1")
@example(words="002")
def test_any_text_that_a_person_types_finds_something_or_nothing(reader, words):
    wanted = Wanted(words, words, words)
    assert [] == reader.find(Wanted(machine="none", words=words), 5)
    assert reader.count(wanted) == len(list(reader.each(wanted)))
    named = reader.entry_named(words)
    assert named is None or words in {named.entry.id, str(named.seq)} or int(words) == named.seq


def test_what_is_not_narrowed_by_words_is_narrowed_by_machine_kind_and_time(reader):
    def seqs(**wanted):
        return [one.seq for one in reader.find(Wanted(**wanted), 50)]

    assert [5] == seqs(machine="mill-2")
    assert [3] == seqs(kind="alert")
    assert [4, 3] == seqs(from_us=NOW_US + 3, to_us=NOW_US + 5)
    assert [6] == seqs(words="bearing", machine="mill-1", kind="duty", from_us=NOW_US + 2)
    assert [] == seqs(words="bearing", machine="mill-9")


def test_a_page_begins_where_the_one_before_ended(reader):
    first = reader.find(Wanted(words="bearing"), 2)
    assert [6, 5] == [one.seq for one in first]
    assert [3] == [one.seq for one in reader.find(Wanted(words="bearing"), 2, first[-1].seq)]


def test_each_gives_the_oldest_first_and_no_more_than_asked(tmp_path):
    count = ROWS_AT_ONCE + 7
    journal = Journal(tmp_path)
    journal.write([entry(n) for n in range(1, count + 1)], 1, (), NOW_US)
    journal.close()
    with EntryReader(tmp_path) as reader:
        assert list(range(1, count + 1)) == [one.seq for one in reader.each(Wanted())]
        assert [1, 2, 3] == [one.seq for one in reader.each(Wanted(words="mill"), 3)]
        assert count == reader.count(Wanted(words="turns"))


def test_an_entry_is_named_by_its_number_or_its_id(reader):
    assert "e3" == reader.entry_named("3").entry.id
    assert 3 == reader.entry_named("e3").seq
    assert reader.entry_named("77") is None


def test_journal_of_before_the_index_says_what_to_do(tmp_path):
    journal_of_form_one(tmp_path)
    with (
        EntryReader(tmp_path) as reader,
        pytest.raises(StoreError, match=r"older condmon\. Start the daemon"),
    ):
        reader.find(Wanted(words="coolant"), 5)
    Journal(tmp_path).close()
    with EntryReader(tmp_path) as reader:
        texts = [one.entry.text for one in reader.find(Wanted(words="ben cool 777"), 3)]
    assert ["old coolant 7779", "old coolant 7778", "old coolant 7777"] == texts
