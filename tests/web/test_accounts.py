"""Accounts, sessions, pairing codes and limits, without a page."""

import sqlite3

import pytest

from condmon.errors import StoreError, UsageError
from condmon.web.accounts import CODES_MAX, PAIR_S, PHONES_MAX, Accounts, bare_code, proper_name
from condmon.web.limits import NAMES_MAX, Limit
from condmon.web.passwords import Busy, Passwords
from tests.fakes import FakeClock
from tests.web.house import PASSWORD

IDLE_S = 3600.0


@pytest.fixture
def clock():
    return FakeClock()


@pytest.fixture
def accounts(tmp_path, clock):
    made = Accounts(tmp_path, clock.now_us, IDLE_S)
    made.add("Anna", "owner", PASSWORD)
    yield made
    made.close()


def test_a_name_is_kept_in_one_form_and_its_password_fits_only_itself(accounts):
    assert ["anna"] == [a.name for a in accounts.all()]
    assert "anna" == accounts.password_fits(" ANNA ", PASSWORD)
    assert "" == accounts.password_fits("anna", PASSWORD + "!")
    assert "" == accounts.password_fits("nobody", PASSWORD)
    assert "" == accounts.password_fits("nobody", "the password of nobody")


def test_an_account_without_password_is_not_opened_by_any(accounts):
    accounts.add("ben", "viewer")
    for guess in ("", "the password of nobody", PASSWORD):
        assert "" == accounts.password_fits("ben", guess)


def test_no_secret_stands_in_the_file(accounts):
    token = accounts.sign_in("anna", "phone", "10.0.0.7")
    code = accounts.pairing_code("anna")
    with sqlite3.connect(accounts.path) as db:
        text = "\n".join(db.iterdump())
    for secret in (PASSWORD, token, code, bare_code(code)):
        assert secret not in text
    assert "$argon2id$v=19$m=19456,t=2,p=1$" in text
    assert 0o600 == accounts.path.stat().st_mode & 0o777


@pytest.mark.parametrize("password", ["short", "aaaaaaaaaaaaaaa", "x" * 201])
def test_a_password_that_will_not_do_is_refused_in_words(accounts, password):
    with pytest.raises(UsageError, match="password"):
        accounts.add("ben", "viewer", password)
    assert ["anna"] == [a.name for a in accounts.all()]


@pytest.mark.parametrize("name", ["", " ", "condmon", "<b>", "a" * 33, "-x", "a\nb"])
def test_a_name_that_will_not_do_is_refused(name):
    with pytest.raises(UsageError, match="name"):
        proper_name(name)


def test_the_last_owner_stays_one(accounts):
    with pytest.raises(UsageError, match="only owner"):
        accounts.set_role("anna", "viewer")
    with pytest.raises(UsageError, match="only owner"):
        accounts.remove("anna")
    accounts.add("ben", "owner")
    accounts.set_role("anna", "viewer")
    assert {"anna": "viewer", "ben": "owner"} == {a.name: a.role for a in accounts.all()}


def test_a_session_ends_at_once_when_it_is_taken_away(accounts):
    token = accounts.sign_in("anna", "phone", "10.0.0.7")
    phone = accounts.phone(token)
    assert ("anna", "owner", "phone") == (phone.account, phone.role, phone.name)
    assert accounts.sign_out(phone.id)
    assert accounts.phone(token) is None
    assert not accounts.sign_out(phone.id)


def test_a_changed_role_holds_for_sessions_that_are_open(accounts):
    accounts.add("ben", "operator")
    token = accounts.sign_in("ben", "phone", "")
    accounts.set_role("ben", "viewer")
    assert "viewer" == accounts.phone(token).role
    accounts.remove("ben")
    assert accounts.phone(token) is None


def test_a_new_password_signs_every_phone_out(accounts):
    token = accounts.sign_in("anna", "phone", "")
    accounts.set_password("anna", "quite another phrase")
    assert accounts.phone(token) is None
    assert "" == accounts.password_fits("anna", PASSWORD)
    assert "anna" == accounts.password_fits("anna", "quite another phrase")


def test_a_phone_stays_signed_in_while_it_is_used_and_no_longer(accounts, clock):
    token = accounts.sign_in("anna", "phone", "")
    for _ in range(4):
        clock.pass_s(IDLE_S * 0.9)
        assert accounts.phone(token)
    clock.pass_s(IDLE_S + 1)
    assert accounts.phone(token) is None
    assert [] == accounts.phones()


def test_of_many_phones_of_one_account_the_newest_stay(accounts, clock):
    tokens = []
    for number in range(PHONES_MAX + 2):
        clock.pass_s(1)
        tokens.append(accounts.sign_in("anna", f"phone {number}", ""))
    assert [False, False] + [True] * PHONES_MAX == [accounts.phone(t) is not None for t in tokens]


def test_a_pairing_code_is_good_once(accounts):
    code = accounts.pairing_code("anna")
    assert "" == accounts.use_code("ABCD-EFGH-JKLM")
    assert "anna" == accounts.use_code(code.lower().replace("-", " "))
    assert "" == accounts.use_code(code)


def test_a_pairing_code_is_good_for_minutes(accounts, clock):
    code = accounts.pairing_code("anna")
    clock.pass_s(PAIR_S + 1)
    assert "" == accounts.use_code(code)


def test_codes_that_wait_are_bounded(accounts, clock):
    for _ in range(CODES_MAX):
        accounts.pairing_code("anna")
    with pytest.raises(UsageError, match="wait"):
        accounts.pairing_code("anna")
    clock.pass_s(PAIR_S + 1)
    assert accounts.pairing_code("anna")


def test_two_programs_may_use_the_file_at_once(accounts, tmp_path, clock):
    other = Accounts(tmp_path, clock.now_us, IDLE_S)
    other.add("ben", "viewer")
    assert ["anna", "ben"] == [a.name for a in accounts.all()]
    other.close()


def test_a_file_that_is_no_accounts_is_told_in_words(tmp_path, clock):
    (tmp_path / "accounts.db").write_bytes(b"not a database at all" * 100)
    with pytest.raises(StoreError, match="damaged"):
        Accounts(tmp_path, clock.now_us)


def test_who_waits_too_long_for_a_turn_at_the_passwords_is_sent_away(monkeypatch):
    monkeypatch.setattr("condmon.web.passwords.WAIT_S", 0.01)
    passwords = Passwords()
    with passwords._turn, pytest.raises(Busy):
        passwords.fits("", "anything")


def test_a_limit_lets_so_many_through_and_says_how_long_to_wait():
    clock = FakeClock()
    limit = Limit(3, 60.0, clock.monotonic_s)
    assert [0.0, 0.0, 0.0] == [limit.wait_s("a") for _ in range(3)]
    clock.pass_s(20)
    assert 40.0 == limit.wait_s("a")
    assert 0.0 == limit.wait_s("b")
    clock.pass_s(41)
    assert 0.0 == limit.wait_s("a")
    limit.forget("a")
    assert [0.0] * 3 == [limit.wait_s("a") for _ in range(3)]


def test_a_limit_remembers_a_bounded_number_of_names():
    limit = Limit(1, 60.0, FakeClock().monotonic_s)
    for number in range(NAMES_MAX + 50):
        limit.wait_s(str(number))
    assert NAMES_MAX == len(limit._tried)
