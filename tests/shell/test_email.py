"""E-mail: a real SMTP dialogue, each answer taken as meant, and no way into the headers."""

import ssl
import time

import pytest
from structlog.testing import capture_logs

from condmon.config import Email
from condmon.errors import SendError
from condmon.senders.email import EmailSender, compose
from condmon.senders.wire import failure_words
from tests.brokers import free_port
from tests.letters import NOW_US, alert, letter
from tests.receivers import MailServer, Mute, certificate, mail, server_context

__all__ = ["mail"]

OLA, KARI = "ola@pier.example", "kari@pier.example"


def email(port, to=(OLA,), security="none", timeout_s=5.0, **more):
    sender = more.pop("sender", "condmon@pier.example")
    username, password_file = more.pop("username", None), more.pop("password_file", None)
    return Email(
        "post", "127.0.0.1", port, security, username, password_file, sender, tuple(to),
        ("now", "today", "note"), timeout_s,
    )  # fmt: skip


def refusal(port, **more):
    with pytest.raises(SendError) as caught:
        EmailSender(email(port, **more)).send(letter())
    return caught.value


def test_mail_arrives_with_subject_text_and_headers(mail):
    assert EmailSender(email(mail.port, to=(OLA, KARI))).send(letter()) is None
    (got,) = mail.mails
    headers = got.parsed
    assert [OLA, KARI] == got.to
    assert "condmon@pier.example" == got.sender
    assert "Mill 1 NOW: oil missing, spindle turning" == headers["Subject"]
    assert "condmon North Pier Optics <condmon@pier.example>" == headers["From"]
    assert f"{OLA}, {KARI}" == headers["To"]
    assert "Wed, 25 Nov 2026 02:14:05 +0000" == headers["Date"]
    assert "auto-generated" == headers["Auto-Submitted"]
    assert "text/plain" == headers.get_content_type()
    assert "utf-8" == headers.get_content_charset()
    assert letter().text.splitlines() == got.text.splitlines()


def test_text_beyond_ascii_arrives_whole(mail):
    about = alert(title="øl på gulvet · 55 °C", machine_name="Fräse 1")
    EmailSender(email(mail.port)).send(letter(about=about))
    assert "Fräse 1 NOW: øl på gulvet · 55 °C" == mail.mails[0].parsed["Subject"]
    assert "øl på gulvet · 55 °C" in mail.mails[0].text


def test_message_id_is_the_same_at_every_try_and_differs_between_messages():
    first, again = (compose(letter(now_us=NOW_US + n), email(1))["Message-ID"] for n in (0, 9))
    other = compose(letter(key="alert-1:ended:0:post"), email(1))["Message-ID"]
    assert first == again
    assert first != other
    assert first.endswith("@pier.example>")


def test_messages_of_one_alert_belong_together():
    raised, over = (compose(letter(key=key), email(1))["References"] for key in ("a", "b"))
    assert raised == over
    assert raised != compose(letter(about=alert(2)), email(1))["References"]


@pytest.mark.parametrize("end", ["\r\n", "\n", "\r", "\x0b", "\x0c", "\x85", "\u2028", "\0"])
def test_nothing_in_an_alert_can_add_a_header(mail, end):
    evil = f"oil{end}Bcc: eve@evil.example{end}{end}body"
    about = alert(title=evil, machine_name=f"M{end}1", id=evil)
    EmailSender(email(mail.port)).send(letter(about=about, key=evil))
    (got,) = mail.mails
    assert got.parsed["Bcc"] is None
    assert [OLA] == got.to
    assert "M 1 NOW: oil Bcc: eve@evil.example body" == got.parsed["Subject"]


@pytest.mark.parametrize("bad", ["a@b.example\r\nBcc: eve@evil.example", "@", "", "a b c"])
def test_address_that_cannot_be_used_is_refused_before_anything_is_sent(mail, bad):
    with pytest.raises(SendError) as caught:
        EmailSender(email(mail.port, sender=bad)).send(letter())
    assert not caught.value.again
    assert [] == mail.mails


def test_display_name_in_the_sender_is_kept(mail):
    EmailSender(email(mail.port, sender="Workshop <w@pier.example>")).send(letter())
    assert "Workshop <w@pier.example>" == mail.mails[0].parsed["From"]
    assert "w@pier.example" == mail.mails[0].sender


def test_answer_451_is_tried_again_and_then_taken(mail):
    mail.answers = ["451 come back later"]
    sender = EmailSender(email(mail.port))
    with pytest.raises(SendError) as caught:
        sender.send(letter())
    assert caught.value.again
    assert "451 come back later" in str(caught.value)
    assert sender.send(letter()) is None
    assert 1 == len(mail.mails)


def test_answer_550_to_the_mail_is_not_tried_again(mail):
    mail.answers = ["550 no thanks"]
    error = refusal(mail.port)
    assert not error.again
    assert "550 no thanks" in str(error)


def test_only_recipient_refused_for_good_is_not_tried_again(mail):
    mail.refuse[OLA] = "550 no such person"
    error = refusal(mail.port)
    assert not error.again
    assert f"{OLA} (550 no such person)" in str(error)


def test_one_recipient_refused_for_good_is_told_and_the_other_gets_it(mail):
    mail.refuse[OLA] = "550 no such person"
    with capture_logs() as logs:
        note = EmailSender(email(mail.port, to=(OLA, KARI))).send(letter())
    assert f"not taken for {OLA} (550 no such person)" == note
    assert [[KARI]] == [m.to for m in mail.mails]
    assert ["recipients_refused"] == [line["event"] for line in logs]


def test_recipient_refused_for_now_gets_it_later_and_the_other_only_once(mail):
    mail.refuse[OLA] = "450 greylisted"
    sender = EmailSender(email(mail.port, to=(OLA, KARI)))
    with pytest.raises(SendError, match=r"not taken yet for ola@pier\.example") as caught:
        sender.send(letter())
    assert caught.value.again
    del mail.refuse[OLA]
    assert sender.send(letter()) is None
    assert [[KARI], [OLA]] == [m.to for m in mail.mails]
    first, second = (m.parsed["Message-ID"] for m in mail.mails)
    assert first == second


def test_recipient_refused_now_and_then_for_good_is_a_note_when_the_other_got_it(mail):
    mail.refuse[OLA] = "450 greylisted"
    sender = EmailSender(email(mail.port, to=(OLA, KARI)))
    with pytest.raises(SendError):
        sender.send(letter())
    mail.refuse[OLA] = "550 no such person"
    assert "550 no such person" in sender.send(letter())
    assert [[KARI]] == [m.to for m in mail.mails]


@pytest.mark.parametrize("drip", [b"", b"220-still\r\n"])
def test_server_that_never_finishes_is_left_in_time(drip):
    """One time limit holds for the whole dialogue, not for each read."""
    server = Mute(drip, every_s=0.05)
    began = time.monotonic()
    error = refusal(server.port, timeout_s=0.4)
    took_s = time.monotonic() - began
    server.close()
    assert error.again
    assert "did not answer within 0.4 s" in str(error)
    assert 0.35 < took_s < 1.5


def test_server_that_is_full_is_tried_again():
    server = Mute(b"421 too many connections\r\n")
    error = refusal(server.port)
    server.close()
    assert error.again
    assert "421 too many connections" in str(error)


def test_nobody_listening_is_told_and_tried_again():
    error = refusal(free_port())
    assert error.again
    assert "nothing listens" in str(error)


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """A server with STARTTLS and a user, and its certificate's authority known to us."""
    pem = certificate(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "cert.pem"))
    (tmp_path / "mail.password").write_text("Driftwood-7\n")
    server = MailServer(server_context(pem), ("condmon", "Driftwood-7"))
    yield server
    server.close()


def test_starttls_and_login(shop, tmp_path):
    EmailSender(
        email(
            shop.port,
            security="starttls",
            username="condmon",
            password_file=tmp_path / "mail.password",
        )
    ).send(letter())
    assert [True] == [m.encrypted for m in shop.mails]


def test_wrong_password_is_told_in_words_without_the_password(shop, tmp_path):
    (tmp_path / "mail.password").write_text("Seaweed-9")
    error = refusal(
        shop.port,
        security="starttls",
        username="condmon",
        password_file=tmp_path / "mail.password",
    )
    assert not error.again
    assert "refused the user or the password" in str(error)
    assert "Seaweed-9" not in str(error)


def test_password_that_smtp_cannot_carry_is_told_without_it(shop, tmp_path):
    (tmp_path / "mail.password").write_text("Tång-9")
    error = refusal(
        shop.port,
        security="starttls",
        username="condmon",
        password_file=tmp_path / "mail.password",
    )
    assert not error.again
    assert "ng-9" not in str(error)


def test_server_without_starttls_gets_neither_password_nor_mail(mail, tmp_path):
    error = refusal(mail.port, security="starttls")
    assert not error.again
    assert "STARTTLS" in str(error)
    assert [] == mail.mails


def test_unknown_certificate_is_refused_and_told(tmp_path):
    server = MailServer(server_context(certificate(tmp_path)))
    error = refusal(server.port, security="starttls")
    server.close()
    assert error.again
    assert "authority" in str(error)


def test_tls_from_the_first_byte(tmp_path, monkeypatch):
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "cert.pem"))
    server = MailServer(server_context(certificate(tmp_path)), at_once=True)
    EmailSender(email(server.port, security="tls")).send(letter())
    server.close()
    assert 1 == len(server.mails)


def test_certificate_of_another_name_is_refused_and_told(tmp_path, monkeypatch):
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "cert.pem"))
    server = MailServer(server_context(certificate(tmp_path, "mail.pier.example")))
    error = refusal(server.port, security="starttls")
    server.close()
    assert error.again
    assert "not valid for '127.0.0.1'" in str(error)
    assert [] == server.mails


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("certificate has expired", "it has expired; renew it"),
        ("certificate is not yet valid", "the clock of this box may be wrong"),
    ],
)
def test_certificate_outside_its_time_is_told_with_what_to_do(said, told):
    error = ssl.SSLCertVerificationError(1, said)
    error.verify_message = said
    assert told in failure_words("mail:25", error, 5.0)


def test_server_that_hangs_up_is_tried_again(mail):
    mail.answers = ["421 closing down"]
    assert refusal(mail.port).again


def test_memory_of_partly_taken_mails_is_bounded(mail, monkeypatch):
    monkeypatch.setattr("condmon.senders.email.PARTLY_TAKEN_MAX", 3)
    mail.refuse[OLA] = "450 greylisted"
    sender = EmailSender(email(mail.port, to=(OLA, KARI)))
    for number in range(6):
        with pytest.raises(SendError):
            sender.send(letter(key=f"key-{number}"))
    assert ["key-3", "key-4", "key-5"] == list(sender._settled)
