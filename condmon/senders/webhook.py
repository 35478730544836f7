"""Webhook: an alert as a signed CloudEvents 1.0 event by HTTP POST. Standard library and orjson.

The body is one event in structured mode (CloudEvents 1.0, JSON format):

    specversion "1.0" · id (the idempotency key) · source "condmon/<site>" · subject
    "<machine>/<check>" · time (when the message was due, RFC 3339) · datacontenttype
    type  condmon.alert.raised | condmon.alert.reminder | condmon.alert.ended | condmon.digest
    data  telling (raised, reminder, handed_over, ended, story, digest), step, urgency, site,
          title, text, alerts: a list, one element unless it is a digest, each with id,
          revision, state, machine, machine_name, check, signals, urgency, began, raised,
          ended, acknowledged and shelved_until (RFC 3339 or null), acknowledged_by, count,
          judged, title, what, why, look_first, if_nobody, caution, cause, facts

`telling` "story" has the type condmon.alert.ended: the alert was over before it could be told.
The receiver checks a message by computing HMAC-SHA256 with the shared secret over the header
Condmon-Timestamp (seconds since 1970), a dot and the body, and comparing it with the hexadecimal
digits after "v1=" in Condmon-Signature. Header Idempotency-Key repeats the id.
"""

import hashlib
import hmac
import http.client
from typing import Any
from urllib.parse import quote, urlsplit

import orjson

from condmon import __version__
from condmon.config import Webhook
from condmon.errors import SendError
from condmon.senders.events import CONTENT_TYPE, alert_facts, envelope
from condmon.senders.letter import Letter, Telling
from condmon.senders.posting import is_later, post, retry_after_s
from condmon.senders.wire import secret

_TYPES: dict[Telling, str] = {
    "raised": "condmon.alert.raised",
    "reminder": "condmon.alert.reminder",
    "handed_over": "condmon.alert.reminder",
    "ended": "condmon.alert.ended",
    "story": "condmon.alert.ended",
    "digest": "condmon.digest",
}
SETUP = {401, 403, 404, 405}
"""What a person can put right on either side."""

_MEANING = {
    400: "the receiver could not read the message; check that the address takes CloudEvents",
    401: "the receiver does not know us; check the secret on both sides",
    403: "the receiver does not let us in; check the secret and the rights on its side",
    404: "nothing is at this address; check the path in url",
    405: "the address takes no POST; check the path in url",
    410: "the address was given up by its owner; enter the new one or remove the webhook",
    413: "the receiver takes no message of this size; raise its limit",
}


class WebhookSender:
    """Posts each letter to one address."""

    def __init__(self, webhook: Webhook) -> None:
        self.name = webhook.name
        self.urgencies = webhook.urgencies
        self._webhook = webhook
        self._url = urlsplit(webhook.url)

    def send(self, letter: Letter) -> None:
        """Post one event; raises SendError unless it was answered with 2xx."""
        body = orjson.dumps(event(letter), default=dict, option=orjson.OPT_SERIALIZE_NUMPY)
        _judge(post(self._url, body, self._headers(letter, body), self._webhook.timeout_s))

    def _headers(self, letter: Letter, body: bytes) -> dict[str, str]:
        stamp = str(letter.sent_us // 1_000_000)
        headers = {
            "Host": self._url.netloc.rpartition("@")[2],
            "User-Agent": f"condmon/{__version__}",
            "Content-Type": CONTENT_TYPE,
            # quoted only where a header could not carry it
            "Idempotency-Key": quote(letter.key, safe="!#$&'*+-./:;=?@^_`|~"),
            "Condmon-Timestamp": stamp,
        }
        if self._webhook.secret_file:
            key = secret(self._webhook.secret_file).encode()
            signature = hmac.new(key, stamp.encode() + b"." + body, hashlib.sha256).hexdigest()
            headers["Condmon-Signature"] = f"v1={signature}"
        return headers


def event(letter: Letter) -> dict[str, Any]:
    """Make the CloudEvents 1.0 object of a letter."""
    first = letter.alerts[0] if letter.alerts and letter.telling != "digest" else None
    subject = f"{first.machine}/{first.check}" if first else letter.message.machine or "digest"
    made = envelope(letter.key, _TYPES[letter.telling], letter.site, subject, letter.message.at_us)
    made["data"] = {
        "telling": letter.telling,
        "step": letter.message.step,
        "urgency": letter.message.urgency,
        "site": letter.site,
        "title": letter.title,
        "text": letter.text,
        "alerts": [alert_facts(alert) for alert in letter.alerts],
    }
    return made


def _judge(answer: http.client.HTTPResponse) -> None:
    status = answer.status
    if 200 <= status < 300:
        return
    if is_later(status):
        # its own words are left out: they could repeat our address
        reason = f"the receiver answered {status}: not now"
        raise SendError(reason, again=True, wait_s=retry_after_s(answer))
    if 300 <= status < 400:
        meaning = "it points to another address, which is not followed; enter that one as url"
    else:
        meaning = _MEANING.get(status, "the receiver will not take it; see its own log")
    setup = status in SETUP or 300 <= status < 400
    raise SendError(f"the receiver answered {status}: {meaning}", again=False, setup=setup)
