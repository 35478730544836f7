"""The morning note from the engine's night to a mailbox: a whole daemon whose clock is put on."""

from condmon.clock import Clock
from condmon.engine.records import SECOND_US
from condmon.senders import make
from tests.receivers import mail  # noqa: F401 - a fixture
from tests.waiting import until
from tests.web.house import House

DIGEST_US = 1_795_586_400_000_000  # Wednesday 2026-11-25 06:00 UTC, 07:00 in the shop
EMAIL = """
[[send.email]]
name = "owner"
host = "127.0.0.1"
port = {port}
security = "none"
sender = "condmon@pier.example"
to = ["owner@pier.example"]
urgencies = ["note"]
"""


def test_the_morning_note_comes_by_e_mail_once_and_is_the_page_s_too(tmp_path, mail):  # noqa: F811
    clock = Clock(1.0, DIGEST_US - 600 * SECOND_US)
    house = House(tmp_path, more=EMAIL.format(port=mail.port), ways=make, clock=clock).start()
    try:
        house.raise_alert()
        clock.not_before(DIGEST_US + 65 * SECOND_US)
        until(lambda: deliveries(house), 30, "it is to be delivered")
        clock.not_before(DIGEST_US + 600 * SECOND_US)
        until(lambda: mail.mails, 30, "it has come")
        until(lambda: house.page.live.seen().view.at_us > DIGEST_US + 600 * SECOND_US, 20)
        (note,) = mail.mails
        assert note.parsed["Subject"].startswith("Morning: ")
        assert "Five-axis mill NOW: upper spindle bearing is hot, since 06:5" in note.text
        assert 1 == note.text.count("2026-11-24 07:00 to 2026-11-25 07:00")
        page = house.client(house.member("ben")).get(f"/report?to={DIGEST_US // SECOND_US}").text
        assert "upper spindle bearing is hot" in page
    finally:
        house.stop()


def deliveries(house) -> list:
    with house.parts.reader() as reader:
        return reader.deliveries()
