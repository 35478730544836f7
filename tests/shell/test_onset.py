"""The picture of the signal around an onset, and the mail it goes along with."""

import io
import threading
from dataclasses import replace

import pytest
from PIL import Image
from structlog.testing import capture_logs

from condmon.config import load
from condmon.delivery.onset import COLOURS, HEIGHT, LINE, ONSET, Frame, draw_of
from condmon.engine import records as rec
from condmon.engine.records import NO_TIME, SECOND_US
from condmon.senders.email import EmailSender, compose
from condmon.senders.pictures import Picture, Pictures
from condmon.store.recorder import Recorder
from tests.daemons import HEAD
from tests.letters import MINUTE_US, NOW_US, alert, ended, letter
from tests.receivers import mail
from tests.shell.test_email import email

__all__ = ["mail"]
MILL = """
[[machine]]
id = "mill-1"
name = "Five-axis mill"
[machine.signal.bearing]
topic = "pier/mill-1/bearing"
role = "bearing_temperature"
title = "upper spindle bearing"
trip = 55
[machine.signal.power]
topic = "pier/mill-1/power"
role = "power"
[machine.signal.silent]
topic = "pier/mill-1/silent"
unit = "Cel"
kind = "measure"
"""
BEGAN_US = NOW_US - 10 * MINUTE_US
HOT = alert(signals=("silent", "bearing"), began_us=BEGAN_US, machine_name="Five-axis mill")


@pytest.fixture
def config(tmp_path):
    """A shop whose bearing stood at 40 and rises to 52 from ten minutes ago on."""
    path = tmp_path / "condmon.toml"
    path.write_text(HEAD.format(url="mqtt://127.0.0.1:1") + MILL)
    made = load(path)
    recorder = Recorder(made.store.path, made.settings.signals, lambda: NOW_US)
    rows = []
    for second in range(0, 50 * 60, 5):
        at_us = NOW_US - 50 * MINUTE_US + second * SECOND_US
        risen = max(0, at_us - BEGAN_US) / (10 * MINUTE_US) * 12
        rows.append((0, at_us, NO_TIME, 40 + risen + (second % 10) / 25, rec.GOOD, 0, 0))
    rows.append((1, NOW_US - 45 * MINUTE_US, NO_TIME, 1.0, rec.GOOD, 0, 0))
    rows.append((1, BEGAN_US, NO_TIME, 0.0, rec.GOOD, 0, 0))
    recorder.append([rec.samples(rows)])
    recorder.close()
    return made


def pixels(picture: Picture, colour: int) -> set[tuple[int, int]]:
    image = Image.open(io.BytesIO(picture.png)).convert("RGB")
    wide, high = image.size
    return {
        (x, y)
        for x in range(wide)
        for y in range(high)
        if image.getpixel((x, y)) == COLOURS[colour]
    }


def test_picture_shows_the_course_and_the_onset_in_a_few_kilobytes(config):
    picture = draw_of(config)(HOT, NOW_US)
    assert len(picture.png) < 8000
    frame = Frame(BEGAN_US - 30 * MINUTE_US, NOW_US, 0.0, 1.0)
    onset = frame.x(BEGAN_US)
    column = [y for x, y in pixels(picture, ONSET) if x == onset]
    assert len(column) > HEIGHT / 2
    line = pixels(picture, LINE)
    before = [y for x, y in line if x < onset - 5]
    last = [y for x, y in line if x > frame.x(NOW_US) - 15]
    assert max(before) - min(before) < 30  # it stood
    assert max(last) < min(before) - 60  # it rose: rows count from the top
    assert picture.words == (
        "upper spindle bearing from 02:34 to 03:14: between 40 °C and 52.1 °C, 52.1 °C at the end; "
        "the alert began at 03:04."
    )


def test_state_is_carried_on_between_its_changes(config):
    picture = draw_of(config)(replace(HOT, signals=("power",)), NOW_US)
    line = pixels(picture, LINE)
    frame = Frame(BEGAN_US - 30 * MINUTE_US, NOW_US, 0.0, 1.0)
    left = {y for x, y in line if x < frame.x(BEGAN_US) - 5}
    right = {y for x, y in line if x > frame.x(BEGAN_US) + 5}
    assert max(left) + 100 < min(right)


def test_alert_that_ended_long_ago_is_drawn_to_a_little_after_its_end(config):
    over = replace(ended(after_min=0), signals=("bearing",), began_us=BEGAN_US)
    picture = draw_of(config)(over, NOW_US + 300 * MINUTE_US)
    assert "from 02:34 to 03:24" in picture.words


@pytest.mark.parametrize("signals", [(), ("silent",), ("not-there",)])
def test_nothing_recorded_is_no_picture(config, signals):
    assert draw_of(config)(replace(HOT, signals=signals), NOW_US) is None


# the mail


def test_mail_carries_the_picture_with_its_words_and_the_text_whole_beside_it(config, mail):
    sent = letter(about=HOT)
    EmailSender(email(mail.port), draw_of(config)).send(sent)
    got = mail.mails[0].parsed
    assert sent.text.split() == got.get_body(("plain",)).get_content().split()
    html = got.get_body(("html",)).get_content()
    assert 'alt="upper spindle bearing from 02:34 to 03:14' in html
    assert "If nobody acts: The bearings wear within minutes." in html
    [shown] = [part for part in got.walk() if part.get_content_type() == "image/png"]
    assert f'src="cid:{shown["Content-ID"][1:-1]}"' in html
    assert (640, HEIGHT) == Image.open(io.BytesIO(shown.get_content())).size


def test_words_of_an_alert_add_nothing_to_the_page_of_the_mail():
    nasty = letter(about=alert(what='<script>x</script> & "quotes"'))
    made = compose(nasty, email(25), Picture(b"png", '"><script>'))
    html = made.get_body(("html",)).get_content()
    assert "<script>" not in html
    assert "&lt;script&gt;x&lt;/script&gt; &amp;" in html


def test_drawing_that_fails_loses_no_message_and_is_told_in_the_log(mail):
    def broken(*_):
        raise ValueError("the store is away")

    with capture_logs() as logs:
        EmailSender(email(mail.port), broken).send(letter())
    assert "multipart" not in mail.mails[0].parsed["Content-Type"]
    assert ["no_picture"] == [line["event"] for line in logs]


def test_drawing_that_hangs_delays_no_message_for_long_and_the_next_not_at_all(mail):
    gate, asked = threading.Event(), []

    def slow(about, _):
        asked.append(about.id)
        gate.wait(20)

    sender = EmailSender(email(mail.port))
    sender._pictures = Pictures(slow, within_s=0.2)
    with capture_logs() as logs:
        sender.send(letter())
        sender.send(letter(key="alert-2:raised:0:post"))
    gate.set()
    assert 2 == len(mail.mails)
    assert ["alert-1"] == asked
    assert ["no_picture", "no_picture"] == [line["event"] for line in logs]


def test_message_about_several_alerts_has_no_picture(mail):
    asked = []
    digest = replace(letter(), telling="digest")
    EmailSender(email(mail.port), lambda *what: asked.append(what)).send(digest)
    assert [] == asked
