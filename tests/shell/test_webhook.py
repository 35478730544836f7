"""The webhook: a signed CloudEvents message over real HTTP, each answer taken for what it means."""

import hashlib
import hmac
import time

import pytest

from condmon.config import Webhook
from condmon.errors import SendError
from condmon.senders.webhook import WebhookSender
from tests.brokers import free_port
from tests.letters import MINUTE_US, NOW_US, alert, ended, letter
from tests.receivers import Answer, Mute, Web, certificate, mute, server_context, web

__all__ = ["mute", "web"]

ALL = ("now", "today", "note")


def sender(url, secret_file=None, timeout_s=5.0):
    return WebhookSender(Webhook("phone", url, secret_file, ALL, timeout_s))


def refusal(url, **more):
    with pytest.raises(SendError) as caught:
        sender(url, **more).send(letter())
    return caught.value


def test_event_is_cloudevents_1_0_in_structured_mode(web):
    sender(web.url).send(letter())
    request = web.requests[0]
    event = request.event
    assert "/alerts?shop=pier" == request.path
    assert "application/cloudevents+json" == request.headers["Content-Type"]
    assert {
        "specversion": "1.0",
        "id": "alert-1:raised:0:phone",
        "source": "condmon/North%20Pier%20Optics",
        "type": "condmon.alert.raised",
        "subject": "mill-1/oil-missing",
        "time": "2026-11-25T02:14:05Z",
        "datacontenttype": "application/json",
    } == {name: value for name, value in event.items() if name != "data"}
    assert "alert-1:raised:0:phone" == request.headers["Idempotency-Key"]


def test_data_hold_the_alert_and_its_words(web):
    sender(web.url).send(letter())
    about = web.requests[0].event["data"]
    assert ("raised", 0, "now", "North Pier Optics") == (
        about["telling"],
        about["step"],
        about["urgency"],
        about["site"],
    )
    assert "Mill 1 NOW: oil missing, spindle turning" == about["title"]
    assert "No oil pulse for 95 s" in about["text"]
    told = about["alerts"][0]
    assert "2026-11-25T02:13:05Z" == told["began"]
    assert told["ended"] is None
    assert ["The oil bottle", "The oil line"] == told["look_first"]
    assert {"rpm": 8000.0} == told["facts"]
    fields = set(alert().__dataclass_fields__) - {"at_us", "began_us", "raised_us", "ended_us"}
    fields -= {"acknowledged_us", "shelved_until_us"}
    assert fields | {"began", "raised", "ended", "acknowledged", "shelved_until"} == set(told)


@pytest.mark.parametrize(
    ("telling", "type_"),
    [
        ("raised", "condmon.alert.raised"),
        ("reminder", "condmon.alert.reminder"),
        ("ended", "condmon.alert.ended"),
        ("story", "condmon.alert.ended"),
        ("digest", "condmon.digest"),
    ],
)
def test_type_says_what_is_told(web, telling, type_):
    sender(web.url).send(letter(telling, about=ended(), now_us=NOW_US + 20 * MINUTE_US))
    assert type_ == web.requests[0].event["type"]
    assert telling == web.requests[0].event["data"]["telling"]


def test_signature_can_be_verified_by_the_receiver(web, tmp_path):
    file = tmp_path / "webhook.secret"
    file.write_text("winter sea\n")
    sender(web.url, file).send(letter())
    request = web.requests[0]
    stamp = request.headers["Condmon-Timestamp"]
    assert str(NOW_US // 1_000_000) == stamp
    signed = f"{stamp}.".encode() + request.body
    expected = hmac.new(b"winter sea", signed, hashlib.sha256).hexdigest()
    assert f"v1={expected}" == request.headers["Condmon-Signature"]


def test_changed_secret_counts_from_the_next_message(web, tmp_path):
    file = tmp_path / "webhook.secret"
    file.write_text("old")
    one = sender(web.url, file)
    one.send(letter())
    file.write_text("new")
    one.send(letter())
    first, second = (r.headers["Condmon-Signature"] for r in web.requests)
    assert first != second


@pytest.mark.parametrize("content", [None, b"", b" \n", b"\xff\xfe\x00"])
def test_missing_or_empty_secret_file_sends_nothing_and_is_told(web, tmp_path, content):
    file = tmp_path / "webhook.secret"
    if content is not None:
        file.write_bytes(content)
    error = refusal(web.url, secret_file=file)
    assert error.again
    assert "webhook.secret" in str(error)
    assert [] == web.requests


@pytest.mark.parametrize("status", [200, 201, 202, 204])
def test_every_2xx_is_taken(web, status):
    web.answers = [Answer(status)]
    assert sender(web.url).send(letter()) is None


@pytest.mark.parametrize("status", [408, 425, 429, 500, 502, 503, 504])
def test_answer_for_later_is_tried_again(web, status):
    web.answers = [Answer(status)]
    error = refusal(web.url)
    assert error.again
    assert str(status) in str(error)
    assert error.wait_s is None


@pytest.mark.parametrize("status", [400, 401, 403, 404, 410, 413, 422])
def test_answer_that_will_not_change_is_not_tried_again(web, status):
    web.answers = [Answer(status)]
    error = refusal(web.url)
    assert not error.again
    assert str(status) in str(error)


@pytest.mark.parametrize("status", [401, 403])
def test_refused_signature_is_told_as_the_secret(web, status):
    web.answers = [Answer(status)]
    assert "check the secret" in str(refusal(web.url))


def test_redirect_is_not_followed(web):
    other = Web()
    web.answers = [Answer(307, {"Location": other.url})]
    error = refusal(web.url)
    other.close()
    assert not error.again
    assert "not followed" in str(error)
    assert [] == other.requests


@pytest.mark.parametrize(
    ("header", "wait_s"),
    [
        ("30", 30.0),
        ("0", 0.0),
        ("soon", None),
        ("-5", None),
        ("Wed, 25 Nov 2026 02:15:05 GMT", 60.0),
        ("Wed, 25 Nov 2026 02:00:00 GMT", 0.0),
    ],
)
def test_retry_after_is_read_as_seconds_or_date(web, header, wait_s):
    # a date counts from the receiver's own clock, which stands in its answer
    real = web._server.RequestHandlerClass
    real.date_time_string = lambda *_: "Wed, 25 Nov 2026 02:14:05 GMT"
    web.answers = [Answer(429, {"Retry-After": header})]
    assert wait_s == refusal(web.url).wait_s


@pytest.mark.parametrize("drip", [b"", b"H", b"HTTP/1.1 100 Continue\r\n\r\n"])
def test_receiver_that_never_finishes_is_left_in_time(drip):
    """One time limit holds for the whole exchange, not for each read."""
    server = Mute(drip, every_s=0.05)
    began = time.monotonic()
    error = refusal(f"http://127.0.0.1:{server.port}/", timeout_s=0.4)
    took_s = time.monotonic() - began
    server.close()
    assert error.again
    assert "did not answer within 0.4 s" in str(error)
    assert 0.35 < took_s < 1.5


def test_nobody_listening_is_told_and_tried_again():
    error = refusal(f"http://127.0.0.1:{free_port()}/")
    assert error.again
    assert "nothing listens" in str(error)


def test_unknown_host_name_is_told_and_tried_again():
    error = refusal("http://no-such-host.invalid/")
    assert error.again
    assert "name" in str(error)


def test_answer_that_is_not_http_is_told():
    server = Mute(b"220 mail.example ready\r\n")
    error = refusal(f"http://127.0.0.1:{server.port}/")
    server.close()
    assert error.again
    assert "not answer in HTTP" in str(error)


def test_certificate_of_the_shop_is_accepted_where_its_authority_is_known(
    web, tmp_path, monkeypatch
):
    pem = certificate(tmp_path)
    web.secure(server_context(pem))
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "cert.pem"))
    sender(f"https://127.0.0.1:{web.port}/alerts").send(letter())
    assert 1 == len(web.requests)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_unknown_certificate_is_refused_and_told(web, tmp_path):
    web.secure(server_context(certificate(tmp_path)))
    error = refusal(f"https://127.0.0.1:{web.port}/")
    assert error.again
    assert "authority" in str(error)
    assert [] == web.requests


def test_plain_server_behind_https_is_told_in_words(web):
    error = refusal(f"https://127.0.0.1:{web.port}/")
    assert error.again
    assert "TLS" in str(error)


def test_key_that_no_header_can_carry_is_quoted_there_and_whole_in_the_event(web):
    key = "fräse\r\nX-Evil: 1:phone"
    sender(web.url).send(letter(key=key))
    request = web.requests[0]
    assert "fr%C3%A4se%0D%0AX-Evil:%201:phone" == request.headers["Idempotency-Key"]
    assert "X-Evil" not in request.headers
    assert key == request.event["id"]
