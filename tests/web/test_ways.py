"""Ways to people on the page: how each does, test messages, notifications on a real browser."""

import json
import secrets

import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from condmon.senders import make
from condmon.senders.sealing import public_point, to_text
from condmon.senders.subscriptions import Subscriptions
from tests.receivers import Answer, Web
from tests.waiting import until
from tests.web.browsers import errors_of, phone
from tests.web.house import House
from tests.web.test_access import TARGETS, violations

pytestmark = pytest.mark.slow
MORE = """
[[send.webhook]]
name = "gate"
url = "{url}"
[[send.push]]
name = "phones"
contact = "owner@pier.example"
hosts = ["push.pier.example"]
[send.topic]
topic = "pier/alerts"
"""
ENDPOINT = "https://push.pier.example/to/7"


@pytest.fixture(scope="module")
def gate():
    server = Web()
    yield server
    server.close()


@pytest.fixture(scope="module")
def shop(tmp_path_factory, gate):
    """A house with a webhook that works, Web Push and an alert topic."""
    made = House(tmp_path_factory.mktemp("shop"), more=MORE.format(url=gate.url), ways=make)
    made.start()
    made.healthy()
    yield made
    made.stop()


def keys() -> dict[str, str]:
    """What a browser subscribes with."""
    point = public_point(ec.generate_private_key(ec.SECP256R1()))
    return {"public": to_text(point), "auth": to_text(secrets.token_bytes(16))}


def subscribed(shop) -> list[str]:
    return [one.account for one in Subscriptions(shop.config.store.path).of()]


def test_person_has_a_test_message_sent_and_sees_that_it_was_taken(shop, gate):
    client = shop.client(shop.member("ben"))
    before = client.get("/ways").text
    assert "Send a test message by every way" in before
    assert "/ways?said=" in client.post("/ways/test").headers["location"]
    until(lambda: gate.requests, 20, "it came")
    assert "Test: this way to people works" == gate.requests[0].event["data"]["title"]
    until(lambda: "last test message" in client.get("/ways").text, 20, "the page shows it")
    until(lambda: "a test message was sent" in client.get("/log").text, 20, "the log tells of it")


def test_way_that_fails_is_shown_with_its_reason_until_it_works_again(shop, gate):
    client = shop.client(shop.member("ben"))
    gate.answers = [Answer(410)]
    client.post("/ways/test")
    until(lambda: "was given up by its owner" in client.get("/ways").text, 20, "the failure")
    assert "Does not work now" in client.get("/ways").text
    client.post("/ways/test")
    until(lambda: "given up by its owner; enter the new one or remove the webhook</p>"
          not in client.get("/ways").text, 20, "it works again")  # fmt: skip


def test_alert_topic_is_shown_as_it_is_on_the_broker(shop):
    client = shop.client(shop.member("cara", "viewer"))
    until(lambda: "It shows what is active now." in client.get("/ways").text, 20, "it agrees")
    assert "pier/alerts" in client.get("/ways").text
    assert "Send a test message" not in client.get("/ways").text


def test_viewer_switches_notifications_on_and_off_for_the_phone_in_hand(shop):
    client = shop.client(shop.member("cara", "viewer"))
    fields = {"endpoint": ENDPOINT, **keys()}
    assert 303 == client.post("/ways/push", data=fields).status_code
    assert ["cara"] == subscribed(shop)
    assert "They are switched on." in client.get("/ways").text
    assert "They are switched off." in shop.client(shop.member("cara", "viewer")).get("/ways").text
    assert 303 == client.post("/ways/push/off").status_code
    assert [] == subscribed(shop)
    assert 303 == client.post("/ways/push/off").status_code


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"endpoint": "https://192.168.1.20/admin"}, "not among those condmon may call"),
        ({"endpoint": "http://push.pier.example/to/7"}, "must be https"),
        ({"public": "AAAA"}, "keys of this subscription cannot be used"),
        ({"auth": "not/base64"}, "keys of this subscription cannot be read"),
    ],
)
def test_subscription_that_would_lead_elsewhere_is_refused(shop, change, words):
    client = shop.client(shop.member("cara", "viewer"))
    answer = client.post("/ways/push", data={"endpoint": ENDPOINT, **keys(), **change})
    assert answer.status_code == 400
    assert words in answer.text
    assert [] == subscribed(shop)


SUBSCRIBE = """([endpoint, key, auth]) => {
  const bytes = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")),
    (c) => c.charCodeAt(0)).buffer;
  PushManager.prototype.getSubscription = async () => null;
  PushManager.prototype.subscribe = async (how) => {
    window.askedWith = [how.userVisibleOnly, how.applicationServerKey.length];
    return { endpoint, getKey: (name) => bytes(name === "auth" ? auth : key) };
  };
  Notification.requestPermission = async () => "granted";
}"""
PUSHED = {"service": "pushMessaging"}
SHOWN = """async () => (await (await navigator.serviceWorker.ready).getNotifications())
  .map((one) => [one.title, one.body, one.tag])"""


def test_tap_switches_notifications_on_and_a_message_is_shown_as_things_stand(shop, browser):
    """The browser's own subscribing needs its maker's server; all around it is real."""
    context = phone(browser, shop, shop.member("ben"))
    context.grant_permissions(["notifications"], origin=shop.url)
    page = context.new_page()
    errors = errors_of(page)
    page.goto("/ways")
    assert [] == violations(page)
    assert [] == page.evaluate(TARGETS)
    made = keys()
    page.evaluate(SUBSCRIBE, [ENDPOINT, made["public"], made["auth"]])
    with page.expect_navigation():
        page.get_by_role("button", name="Switch them on here").tap()
    page.get_by_text("They are switched on.").wait_for()
    assert ["ben"] == subscribed(shop)
    found = shop.raise_alert()
    told = {"title": "Five-axis mill NOW: hot", "body": "52 degrees", "tag": "t1",
            "alert": found.id, "open": f"/alerts/{found.id}", "over": False}  # fmt: skip
    deliver(context, page, shop.url, told)
    until(lambda: page.evaluate(SHOWN), 10, "it is shown")
    assert [["Five-axis mill NOW: hot", "52 degrees", "t1"]] == page.evaluate(SHOWN)
    shop.end_alert(found.id)
    deliver(context, page, shop.url, told)
    until(lambda: "over" in page.evaluate(SHOWN)[0][0], 10, "the old message tells the end")
    title, body, _ = page.evaluate(SHOWN)[0]
    assert "Five-axis mill over: upper spindle bearing is hot" == title
    assert "It had ended before this phone could show it." == body
    assert [] == errors
    context.close()


def deliver(context, page, origin: str, told: dict) -> None:
    """Hand a push message to the page's service worker, as the browser does when one comes.

    Waits for the end of it, as the browser tells: asking for notifications while one is being shown
    makes Chromium forget it (what is stored and not on the screen yet counts as closed).
    """
    session = context.new_cdp_session(page)
    versions, heard = [], []
    session.on("ServiceWorker.workerRegistrationUpdated",
               lambda event: versions.extend(event["registrations"]))  # fmt: skip
    session.on("BackgroundService.backgroundServiceEventReceived",
               lambda of: heard.append(of["backgroundServiceEvent"]["eventName"]))  # fmt: skip
    session.send("BackgroundService.clearEvents", PUSHED)
    session.send("BackgroundService.startObserving", PUSHED)
    session.send("BackgroundService.setRecording", {**PUSHED, "shouldRecord": True})
    session.send("ServiceWorker.enable")
    until(lambda: page.evaluate("1") and versions, 10, "the worker is known")
    session.send("ServiceWorker.deliverPushMessage", {
        "origin": origin, "registrationId": versions[0]["registrationId"], "data": json.dumps(told),
    })  # fmt: skip
    until(lambda: page.evaluate("1") and "Push event completed" in heard, 20, "it is through")
    session.detach()
