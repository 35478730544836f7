"""What pages say: how far to be trusted, notes and photos, people, ways, errors in words."""

import io
import re
import time

import pytest
from PIL import Image

from condmon.engine.records import Link
from condmon.store.journal import Route
from condmon.web.now import SAMPLE_OLD_US, VIEW_OLD_US, headline, state_words, trust
from condmon.web.parts import back_to
from condmon.web.wording import Wording
from tests.waiting import until
from tests.web.house import PASSWORD, House


def said(answer) -> str:
    """The words of a page without its markup."""
    text = re.sub(r"<style>.*?</style>", "", answer.text, flags=re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


def act(house, cookie, **fields):
    answer = house.client(cookie).post("/act", data=fields)
    assert 303 == answer.status_code, answer.text
    return said(house.client(cookie).get(answer.headers["location"]))


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    """A house of which nothing has come, with a way out that leads nowhere."""
    hook = '[[send.webhook]]\nname = "gate"\nurl = "http://127.0.0.1:9/hook"'
    made = House(tmp_path_factory.mktemp("bare"), more=hook).start()
    yield made
    made.stop()


@pytest.fixture
def over(house):
    """An alert that is over and that nobody has seen."""
    kind = {"check": "door-open-while-turning", "state": "returned_unacknowledged"}
    if not house.alerts(**kind):
        house.end_alert(house.raise_alert("door-open-while-turning").id)
    return house.alerts(**kind)[0]


@pytest.fixture
def later(house, monkeypatch):
    """Let the page believe that time has passed while nothing was put in."""

    def pass_us(us: int):
        seen = house.page.live._seen
        monkeypatch.setattr(house.page.live, "_seen", seen._replace(put_us=seen.put_us))
        return Wording(house.config.settings.calendar, house.clock.now_us() + us)

    return pass_us


def test_with_nothing_wrong_the_page_says_so_and_when_it_looked(house):
    ben = house.member("ben")
    for alert in house.alerts():
        if alert.ended_us is None:
            house.end_alert(alert.id)
        act(house, ben, do="acknowledge", alert=alert.id)
    text = said(house.client(ben).get("/"))
    assert "Nothing needs you." in text
    assert re.search(r"Checked \d\d:\d\d:\d\d", text)
    assert "Look out" not in text


def test_a_turn_that_hangs_is_told_and_not_shown_as_now(house, later):
    assert "" == trust(house.parts, house.parts.wording()).doubt
    assert "has not looked since" in trust(house.parts, later(VIEW_OLD_US + 2_000_000)).doubt


def test_without_samples_nothing_needs_you_is_not_said(house, later):
    doubt = trust(house.parts, later(SAMPLE_OLD_US + 60_000_000)).doubt
    assert doubt
    assert "Nothing is known to need you" == headline([], [], doubt)


def test_a_link_that_is_down_is_told_on_every_page_that_shows_a_machine(bare):
    client = bare.client(bare.member("ben"))
    bare.service.inbox.put_action(Link(bare.clock.now_us(), up=False, reason="pulled"))
    until(lambda: not bare.page.live.seen().view.linked, 10, "the link is down")
    for path in ("/", "/machines", "/machines/mill-1"):
        assert "No connection to the broker" in said(client.get(path))
    assert "Nothing is known to need you" in said(client.get("/"))
    bare.service.inbox.put_action(Link(bare.clock.now_us(), up=True))
    until(lambda: bare.page.live.seen().view.linked, 10, "the link is up again")


def test_a_signal_says_how_old_it_is_and_what_is_usual(house):
    house.healthy()
    until(lambda: "34.2" in house.client(house.member("ben")).get("/machines/mill-1").text, 5)
    text = said(house.client(house.member("ben")).get("/machines/mill-1"))
    assert re.search(r"upper spindle bearing 34.2 °C \d+ s ago", text)
    assert "the machine stops itself at 55 °C" in text
    assert "set point 20 ± 2 °C" in text
    assert "turning since" in text


def test_a_signal_that_never_came_is_not_shown_as_a_value(bare):
    text = said(bare.client(bare.member("ben")).get("/machines/mill-1"))
    assert "coolant no value never · nothing has come yet" in text


def test_each_act_on_an_alert_stands_in_the_log_with_its_name(house):
    ben = house.member("ben")
    alert = house.raise_alert()
    page = f"/alerts/{alert.id}"
    assert "Seen by ben" in act(house, ben, do="acknowledge", alert=alert.id, back=page)
    assert "Shelved until" in act(house, ben, do="shelve", alert=alert.id, for_s=3600, back=page)
    assert "Nobody has seen it" in act(house, ben, do="unshelve", alert=alert.id, back=page)
    again = act(house, ben, do="unshelve", alert=alert.id, back=page)
    assert "unshelve was refused" in again
    out = act(house, ben, do="out_of_service", machine="mill-1", check="nose-bearing-hot",
              text="sensor is being changed", back=page)  # fmt: skip
    assert "The check is out of service." in out
    assert "Laid aside" in said(house.client(ben).get("/"))
    back = act(house, ben, do="return_to_service", machine="mill-1", check="nose-bearing-hot",
               back=page)  # fmt: skip
    assert "Nobody has seen it" in back
    house.end_alert(alert.id)
    assert "nobody has seen it" in said(house.client(ben).get("/"))
    assert "without a cause" in said(house.client(ben).get("/unexplained"))
    act(house, ben, do="cause", alert=alert.id, text="a kinked line", back="/unexplained")
    assert "has a cause" in said(house.client(ben).get("/unexplained"))
    by = {e.facts["do"]: e.facts["by"] for e in entries(house) if "do" in e.facts}
    for do in ("acknowledge", "shelve", "unshelve", "out_of_service", "cause"):
        assert "ben" == by[do]


def entries(house):
    with house.parts.reader() as reader:
        return reader.entries(300, kind="action")


def photo_file(metadata: bytes = b"secret place") -> bytes:
    image = Image.new("RGB", (2400, 1200), "gray")
    exif = Image.Exif()
    exif[0x010E] = metadata.decode()
    exif[0x0112] = 6  # turned by a quarter
    out = io.BytesIO()
    image.save(out, "JPEG", exif=exif, comment=metadata)
    assert metadata in out.getvalue()
    return out.getvalue()


def test_a_photo_comes_with_a_note_smaller_upright_and_without_what_the_camera_wrote(house):
    client = house.client(house.member("ben"))
    answer = client.post("/log", data={"machine": "mill-1", "text": "nozzle bent"},
                         files={"photo": ("p.jpg", photo_file(), "image/jpeg")})  # fmt: skip
    assert 303 == answer.status_code
    page = client.get("/log").text
    assert "nozzle bent" in page
    link = re.search(r'href="(/photos/[0-9a-f]{24})"', page)[1]
    kept = client.get(link)
    assert "image/jpeg" == kept.headers["content-type"]
    assert b"secret place" not in kept.content
    image = Image.open(io.BytesIO(kept.content))
    assert (800, 1600) == image.size
    assert 404 == client.get("/photos/" + "0" * 24).status_code
    assert 404 == client.get("/photos/..%2Faccounts.db").status_code


@pytest.mark.parametrize("content", [b"", b"not a picture", photo_file()[:3000], b"GIF89a" * 20])
def test_a_photo_that_cannot_be_read_is_refused_in_words_and_nothing_is_noted(house, content):
    client = house.client(house.member("ben"))
    answer = client.post("/log", data={"machine": "mill-1", "text": "with a bad photo"},
                         files={"photo": ("p.jpg", content, "image/jpeg")})  # fmt: skip
    assert 400 == answer.status_code
    assert "photo cannot be read" in answer.text
    assert "with a bad photo" not in client.get("/log").text


def test_the_log_is_narrowed_by_machine_kind_and_words(house):
    ben = house.member("ben")
    act(house, ben, do="note", machine="mill-2", text="belt changed on the three-axis", back="/log")
    client = house.client(ben)
    assert "belt changed" in client.get("/log?machine=mill-2&kind=action&words=BELT").text
    assert "belt changed" not in client.get("/log?machine=mill-1").text
    assert "Nothing like that" in client.get("/log?words=unheard-of").text
    assert 422 == client.get("/log?before=x").status_code


def test_what_people_write_is_never_read_as_markup(house):
    ben = house.member("ben")
    act(house, ben, do="note", machine="mill-1", text="<img src=x onerror=alert(1)>", back="/log")
    assert "<img src=x" not in house.client(ben).get("/log").text
    assert "<b>x" not in house.client(ben).get("/log?words=<b>x").text


def test_an_owner_rules_over_people_and_each_act_is_in_the_log(house):
    owner = house.client(house.member("anna", "owner"))
    for path, fields in (
        ("add", {"name": "Gus", "role": "viewer", "password": PASSWORD}),
        ("role", {"name": "gus", "role": "operator"}),
        ("password", {"name": "gus", "password": "quite another phrase"}),
        ("remove", {"name": "gus"}),
    ):
        assert 303 == owner.post(f"/people/{path}", data=fields).status_code
    log = said(owner.get("/log?machine=condmon"))
    for words in ("gus was added as viewer", "gus is now operator", "gus has a new password",
                  "gus was removed"):  # fmt: skip
        assert words in log
    refused = owner.post("/people/remove", data={"name": "anna"})
    assert 400 == refused.status_code
    assert "only owner" in refused.text


def test_one_s_own_password_needs_the_old_one_and_this_phone_goes_on(house):
    house.parts.accounts.add("hugo", "viewer", PASSWORD)
    token = house.parts.accounts.sign_in("hugo", "phone", "")
    other = house.parts.accounts.sign_in("hugo", "tablet", "")
    client = house.client(token)
    new = {"password": "quite another phrase"}
    assert 403 == client.post("/people/password", data=new | {"old": "wrong"}).status_code
    answer = client.post("/people/password", data=new | {"old": PASSWORD})
    kept = answer.headers["set-cookie"].split("=", 1)[1].split(";")[0]
    assert 200 == house.client(kept).get("/").status_code
    assert 401 == house.client(other).get("/api/now").status_code


def test_a_viewer_sees_and_touches_nobody_else_s_phones(house):
    cara, ben = house.member("cara", "viewer"), house.member("ben")
    client = house.client(cara)
    assert "ben" not in client.get("/people").text
    (bens,) = [p.id for p in house.parts.accounts.phones() if p.account == "ben"][:1]
    assert 403 == client.post("/phones/sign-out", data={"id": bens}).status_code
    assert 403 == client.post("/people/pair", data={"name": "ben"}).status_code
    assert 403 == client.post("/people/password", data={"name": "ben", "password": PASSWORD}
                              ).status_code  # fmt: skip
    assert 200 == house.client(ben).get("/").status_code


def test_a_stream_ends_when_its_phone_is_signed_out(house):
    cookie = house.member("ida")
    answer = house.client(cookie).get("/live?machine=mill-1", stream=True)
    assert "text/event-stream; charset=utf-8" == answer.headers["content-type"]
    lines = answer.iter_lines(decode_unicode=True)
    first = [next(lines) for _ in range(5)]
    assert "event: beat" in first
    house.parts.accounts.sign_out(house.parts.accounts.phone(cookie).id)
    began_s = time.monotonic()
    assert "event: gone" in list(lines)
    assert time.monotonic() - began_s < 12


def test_a_way_that_fails_is_shown_as_not_working(bare):
    client = bare.client(bare.member("ben"))
    assert "nothing shows that it works" in said(client.get("/ways"))
    bare.service._routes = [Route("gate", ("now", "today", "note"))]
    bare.raise_alert()
    with bare.parts.reader() as reader:
        assert reader.deliveries_of("gate", 5)
    assert "upper spindle bearing is hot" in said(client.get("/ways"))


def test_an_alert_that_is_over_and_unseen_says_both(house, over):
    words = state_words(over, house.parts.wording())
    assert words.startswith("Over since")
    assert words.endswith("Nobody has seen it yet.")


@pytest.mark.parametrize(
    "path", ["//evil.example", "https://evil.example", "/\\evil", "", "/a\r\nb"]
)
def test_after_an_act_nobody_is_led_to_another_site(path):
    assert "/" == back_to(path).headers["location"]


@pytest.mark.parametrize(("path", "status"), [("/alerts/none", 404), ("/machines/none", 404),
                                              ("/machines/mill-1?span=x", 422), ("/none", 404),
                                              ("/static/none.js", 404)])  # fmt: skip
def test_what_is_not_there_is_told_as_a_page_in_words(house, path, status):
    answer = house.client(house.member("ben")).get(path)
    assert status == answer.status_code
    assert "That did not work" in answer.text
    assert "Traceback" not in answer.text


@pytest.mark.parametrize("query", ["span=0", "span=-5", "span=99999999999", "to=1", "to=-1",
                                   "to=99999999999999", "to=1795000000&span=60"])  # fmt: skip
def test_any_span_is_brought_within_what_can_be_shown(house, query):
    assert 200 == house.client(house.member("ben")).get(f"/machines/mill-1?{query}").status_code


def test_the_morning_note_and_the_week_are_pages_of_what_happened(house, over):
    ben = house.client(house.member("ben"))
    note = said(ben.get("/report"))
    assert "Morning note" in note
    assert re.search(r"Five-axis mill: the door is open while the spindle turns, over after", note)
    assert f'href="/alerts/{over.id}"' in ben.get("/report").text
    week = said(ben.get("/report?week=1"))
    assert "Alerts by what they were" in week
    assert "within 10 minutes" in week
    long_ago = said(ben.get("/report?to=1000000000"))
    assert "Nothing happened, and nothing is open." not in week
    assert "door is open" not in long_ago


@pytest.mark.parametrize("query", ["to=-4", "to=99999999999999", "week=1&to=1", "week=no"])
def test_any_report_is_brought_within_what_is_kept(house, query):
    assert 200 == house.client(house.member("ben")).get(f"/report?{query}").status_code


def test_any_check_is_taken_out_of_service_and_returned_from_its_machine_s_page(house):
    ben = house.member("ben")
    page = house.client(ben).get("/machines/mill-1").text
    assert '<option value="door-open-while-turning">' in page
    fields = {"machine": "mill-1", "check": "door-open-while-turning", "back": "/machines/mill-1"}
    act(house, ben, do="out_of_service", text="switch is being changed", **fields)
    until(lambda: "Return to service" in house.client(ben).get("/machines/mill-1").text, 5)
    page = house.client(ben).get("/machines/mill-1").text
    assert '<option value="door-open-while-turning">' not in page
    assert "switch is being changed" in house.client(ben).get("/log").text
    act(house, ben, do="return_to_service", **fields)
    until(lambda: "Return to service" not in house.client(ben).get("/machines/mill-1").text, 5)
