"""E-mail by SMTP: text and a small picture, one mail to all of a route. Standard library only."""

import hashlib
import smtplib
import socket
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from email.errors import MessageError
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, parseaddr
from html import escape

from condmon import log
from condmon.config import Email
from condmon.errors import SendError
from condmon.senders.letter import Letter
from condmon.senders.pictures import Draw, Picture, Pictures
from condmon.senders.wire import Wire, secret, wire

_log = log.get("email")

SUBJECT_CHARACTERS_MAX = 200
PARTLY_TAKEN_MAX = 1000

Refused = Mapping[str, tuple[int, bytes]]


class EmailSender:
    """Mails each letter to the recipients of one route.

    A recipient refused for now gets it at a later try and the others do not get it again; one
    refused for good is told of in the log and in the note of the delivery.
    """

    def __init__(self, email: Email, draw: Draw | None = None) -> None:
        self.name = email.name
        self.urgencies = email.urgencies
        self._email = email
        self._pictures = Pictures(draw)
        self._settled: dict[str, set[str]] = {}  # key -> recipients that need no further try

    def send(self, letter: Letter) -> str | None:
        """Send one mail; raises SendError if any recipient still has to get it."""
        settled = self._settled.get(letter.key, set())
        open_to = [who for who in self._email.to if who not in settled]
        refused = self._dialogue(compose(letter, self._email, self._picture(letter)), open_to)
        later = {who: why for who, why in refused.items() if why[0] < 500}
        never = {who: why for who, why in refused.items() if why[0] >= 500}
        if later:
            self._remember(letter.key, settled | (set(open_to) - set(later)))
            self._tell(never)
            raise SendError(f"not taken yet for {_list(later)}", again=True)
        self._settled.pop(letter.key, None)
        if len(never) == len(self._email.to):
            raise SendError(f"not taken for {_list(never)}; check the addresses", again=False)
        self._tell(never)
        return f"not taken for {_list(never)}" if never else None

    def _picture(self, letter: Letter) -> Picture | None:
        if letter.telling == "digest" or len(letter.alerts) != 1:
            return None
        return self._pictures.of(letter.alerts[0], letter.sent_us)

    def _dialogue(self, mail: EmailMessage, to: list[str]) -> Refused:
        email = self._email
        password = secret(email.password_file) if email.password_file else None
        with wire(email.host, email.port, email.timeout_s, tls=email.security == "tls") as line:
            smtp = smtplib.SMTP(local_hostname=_own_name(line.sock), timeout=email.timeout_s)
            try:
                _greet(smtp, line, starttls=email.security == "starttls")
                if email.username and password:
                    smtp.login(email.username, password)
                refused: Refused = smtp.send_message(mail, email_address(email.sender), to)
            except smtplib.SMTPRecipientsRefused as error:
                refused = error.recipients
            except smtplib.SMTPException as error:
                raise _judged(error) from None
            except UnicodeError:  # its own words would show a piece of the password
                words = "user or password hold characters that SMTP cannot carry; use plain ASCII"
                raise SendError(words, again=False, setup=True) from None
            else:
                _part(smtp)
            finally:
                smtp.close()
        return refused

    def _remember(self, key: str, settled: set[str]) -> None:
        self._settled[key] = settled
        while len(self._settled) > PARTLY_TAKEN_MAX:
            del self._settled[next(iter(self._settled))]

    def _tell(self, never: Refused) -> None:
        if never:
            _log.error(
                "recipients_refused",
                route=self.name,
                reason=_list(never),
                meaning="these recipients do not get the messages of this route",
                do="correct the addresses in the configuration",
            )


def compose(letter: Letter, email: Email, picture: Picture | None = None) -> EmailMessage:
    """Make the mail of a letter; the same letter makes the same Message-ID at every try."""
    sender = email_address(email.sender)
    domain = sender.rpartition("@")[2] or "condmon.invalid"
    name = parseaddr(email.sender)[0] or f"condmon {_one_line(letter.site)}"
    mail = EmailMessage(policy=SMTP)
    try:
        if not all(part.isprintable() for part in (email.sender, *email.to)):
            raise ValueError("it holds a line end or another control character")
        mail["From"] = Address(name, addr_spec=sender)
        mail["To"] = ", ".join(email.to)
    except (ValueError, IndexError, MessageError) as error:  # all that the parser has for bad ones
        raise SendError(f"an address of the route cannot be used: {error}", again=False) from None
    mail["Subject"] = _one_line(letter.title)[:SUBJECT_CHARACTERS_MAX]
    mail["Date"] = format_datetime(datetime.fromtimestamp(letter.sent_us / 1e6, UTC))
    mail["Message-ID"] = _id(letter.key, domain)
    if letter.alerts and letter.telling != "digest":  # mail programs show one alert as one talk
        mail["References"] = _id(letter.alerts[0].id, domain)
    mail["Auto-Submitted"] = "auto-generated"
    mail["X-Auto-Response-Suppress"] = "All"
    mail.set_content(letter.text, charset="utf-8", cte="quoted-printable")
    if picture:
        _add_picture(mail, letter, picture, domain)
    return mail


def _add_picture(mail: EmailMessage, letter: Letter, picture: Picture, domain: str) -> None:
    """The same text once more with the picture behind its first lines; plain text stays whole."""
    name = _id(f"{letter.key}:picture", domain)
    first, _, rest = letter.text.partition("\n\n")
    style = "white-space: pre-wrap; font-family: sans-serif"
    body = (
        f'<div style="{style}">{escape(first)}</div>'
        f'<p><img src="cid:{name[1:-1]}" width="640" style="max-width: 100%" '
        f'alt="{escape(picture.words)}"></p><div style="{style}">{escape(rest)}</div>'
    )
    mail.add_alternative(body, subtype="html", charset="utf-8", cte="quoted-printable")
    _, shown = mail.iter_parts()
    assert isinstance(shown, EmailMessage)
    shown.add_related(
        picture.png, "image", "png", cid=name, disposition="inline", filename="signal.png"
    )


def email_address(words: str) -> str:
    """Take the bare address out of `Name <address>`."""
    return parseaddr(words)[1] or words


def _greet(smtp: smtplib.SMTP, line: Wire, *, starttls: bool) -> None:
    smtp.sock = line.sock
    code, text = smtp.getreply()
    if code != 220:
        raise smtplib.SMTPConnectError(code, text)
    smtp.ehlo_or_helo_if_needed()
    if not starttls:
        return
    if not smtp.has_extn("starttls"):
        raise SendError(
            'the mail server offers no STARTTLS; use security = "tls" or ask who runs it',
            again=False,
            setup=True,
        )
    code, text = smtp.docmd("STARTTLS")
    if code != 220:
        raise smtplib.SMTPResponseException(code, text)
    line.secure()
    # what was said before TLS no longer counts (RFC 3207, section 4.2)
    smtp.sock, smtp.file, smtp.ehlo_resp, smtp.helo_resp = line.sock, None, None, None
    smtp.esmtp_features = {}
    smtp.ehlo_or_helo_if_needed()


def _part(smtp: smtplib.SMTP) -> None:
    """Say goodbye; the mail is taken already, so a fault here changes nothing."""
    with suppress(smtplib.SMTPException, OSError):
        smtp.quit()


def _judged(error: smtplib.SMTPException) -> SendError:
    if isinstance(error, smtplib.SMTPAuthenticationError):
        words = f"the mail server refused the user or the password ({error.smtp_code})"
        if error.smtp_code >= 500:
            return SendError(f"{words}; check username and password_file", again=False, setup=True)
        return SendError(words, again=True)
    if isinstance(error, smtplib.SMTPResponseException):
        words = f"the mail server answered {error.smtp_code} {_text(error.smtp_error)}"
        return SendError(words, again=error.smtp_code < 500)
    if isinstance(error, smtplib.SMTPServerDisconnected):
        return SendError("the mail server closed the connection", again=True)
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return SendError(
            f"the mail server cannot do what is needed: {error}", again=False, setup=True
        )
    return SendError(f"the talk with the mail server failed: {type(error).__name__}", again=True)


def _own_name(sock: socket.socket) -> str:
    """Our name in the greeting; looking it up in the DNS could hang."""
    name = socket.gethostname()
    if "." in name:
        return name
    address = str(sock.getsockname()[0])
    return f"[IPv6:{address}]" if ":" in address else f"[{address}]"


def _one_line(words: str) -> str:
    """Leave nothing that could end a header and begin another."""
    return " ".join("".join(c if c.isprintable() else " " for c in words).split())


def _id(key: str, domain: str) -> str:
    return f"<{hashlib.sha256(key.encode()).hexdigest()[:32]}@{domain}>"


def _list(refused: Refused) -> str:
    return ", ".join(f"{who} ({code} {_text(text)})" for who, (code, text) in refused.items())


def _text(words: bytes | str) -> str:
    text = words.decode("utf-8", "replace") if isinstance(words, bytes) else words
    return _one_line(text)[:120]
