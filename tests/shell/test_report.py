"""The report of the days around an event: whole, offline, printable, without a secret."""

import io
import re
from pathlib import Path

import pytest
from PIL import Image

from condmon.engine.records import Action, Gap, ModelOn, Started
from condmon.ledger.report import report
from condmon.ledger.verify import verify
from condmon.web.photos import Photos
from tests.ledgers import MINUTE_US, START_US, Lived
from tests.shell.test_chain import opened

SECRETS = ("swordfish-broker", "swordfish-mail", "swordfish-hook", "swordfish-token",
           "swordfish-address", "hook.pier.example", "owner@pier.example")  # fmt: skip
SEND = """
[influx]
url = "http://127.0.0.1:1"
token_file = "influx.token"
[[send.email]]
host = "mail.pier.example"
username = "condmon"
password_file = "mail.password"
sender = "condmon@pier.example"
to = ["owner@pier.example"]
[[send.webhook]]
url = "https://hook.pier.example/swordfish-address"
secret_file = "hook.secret"
"""
PASSWORD_FILES = {"broker.password": "swordfish-broker", "mail.password": "swordfish-mail",
                  "hook.secret": "swordfish-hook", "influx.token": "swordfish-token"}  # fmt: skip


def picture(colour: str) -> io.BytesIO:
    made = io.BytesIO()
    Image.new("RGB", (40, 30), colour).save(made, "JPEG")
    made.seek(0)
    return made


@pytest.fixture(scope="module")
def lived(tmp_path_factory) -> Lived:
    """Four hours with an alert, notes with photos, what goes wrong with sensors, and secrets."""
    folder: Path = tmp_path_factory.mktemp("report")
    for name, secret in PASSWORD_FILES.items():
        (folder / name).write_text(secret)
        (folder / name).chmod(0o600)
    made = Lived(folder, more=SEND)
    made.day()
    photos = Photos(made.folder)
    names = [photos.keep(picture(colour)) for colour in ("red", "blue", "green")]
    now_us = made.now_us
    alert = made.journal.alerts()[0].id
    torn, missing = f"seal <b>torn</b> [photo {names[0]}]", f"[photo {names[1]}] [photo {names[2]}]"
    made.say(
        Started(now_us, "0.1.0", made.config.settings.digest, restart=True),
        Action(now_us + 1, "acknowledge", "ben", alert=alert),
        Action(now_us + 2, "note", "ben", machine="mill-1", text=torn),
        Action(now_us + 3, "note", "eva", machine="mill-1", text=missing),
        Action(now_us + 4, "cause", "ben", alert=alert, text="kinked air line"),
        Action(now_us + 5, "note", "eva", machine="mill-2", text="about the other machine"),
        Gap(now_us + 6, now_us - 30 * MINUTE_US, now_us - 20 * MINUTE_US, "condmon was away"),
        ModelOn(now_us + 7, "mill-1", "thermal", "abc"),
    )
    made.names = names
    note = next(e for e in made.journal.entries() if e.text.startswith("seal"))
    made.say(
        Action(now_us + 9, "correct", "eva", machine="mill-1", entry=note.id, text="seal worn")
    )
    (made.folder / "photos" / f"{names[1]}.jpg").write_bytes(b"another picture")
    (made.folder / "photos" / f"{names[2]}.jpg").unlink()
    made.close()
    return made


@pytest.fixture(scope="module")
def page(lived) -> str:
    return report(lived.config, "mill-1", (START_US, lived.now_us), lived.now_us)


@pytest.mark.parametrize(
    "told",
    [
        "Five-axis mill", "North Pier Optics", "upper spindle bearing is hot", "kinked air line",
        "seen by ben", "Is the bearing&#39;s oil coming?", "The spindle may be hot and coasting",
        "seal &lt;b&gt;torn&lt;/b&gt;", "Corrected 2026-11-25", "seal worn", "condmon was away",
        "4 sensors silent", "condmon 0.1.0 started again after a stop", "model thermal abc",
        "numpy 2.", "SQLite 3.", "photo: the photo", "time turning",
        "spindle at 7,000 to 7,999 /min", "relieve stored air and hydraulic pressure",
        "its content was changed", "is missing",
    ],
)  # fmt: skip
def test_report_tells(page, told):
    assert told in page


def test_report_holds_a_chart_of_every_signal_with_the_alert_in_it(page):
    for label in ("power", "spindle speed", "upper spindle bearing", "coolant", "door closed"):
        assert f'aria-label="{label} over time"' in page
    upper = page.split('aria-label="upper spindle bearing over time"', 1)[1].split("</svg>", 1)[0]
    assert 'stroke-dasharray="3 2"' in upper  # a band
    assert "stops itself" in upper
    assert re.search(r'<path d="M[^"]{200,}"', upper)


def test_photos_that_were_changed_or_taken_away_are_named_by_verify(lived):
    found = verify(lived.folder / "journal.db", (), lived.folder)
    assert lived.names == list(found.photos)
    assert ["photo", "photo"] == [fault.kind for fault in found.faults]
    assert "its content was changed" in found.faults[0].text
    assert "is missing" in found.faults[1].text
    assert verify(lived.folder / "journal.db").whole  # a copy elsewhere has no photos beside it


def test_photo_is_in_the_page_and_one_that_was_changed_is_not(page):
    assert 1 == page.count("data:image/jpeg;base64,")


def test_other_machine_is_not_in_it(page):
    assert "about the other machine" not in page


def test_no_secret_and_no_address_of_a_person_is_in_it(page):
    assert [] == [secret for secret in SECRETS if secret in page]


def test_nothing_in_it_runs_or_leads_outside(page):
    assert "<script" not in page
    assert not re.search(r"\son\w+=", page)
    links = set(re.findall(r"(?:href|src|url)\s*[=(]\s*[\"']?([^\"')\s]+)", page))
    assert {"data"} == {link.split(":", 1)[0] for link in links}
    assert {"http://www.w3.org/2000/svg"} == set(re.findall(r"https?://[^\"\s<]+", page))


def test_tampered_log_is_the_first_thing_it_says(lived, tmp_path):
    with (lived.folder / "journal.db").open("rb") as file:
        before = file.read()
    db = opened(lived.folder / "journal.db")
    db.execute("UPDATE entry SET text = 'all was well' WHERE seq = 3")
    db.close()
    try:
        made = report(lived.config, "mill-1", (START_US, lived.now_us), lived.now_us)
    finally:
        for path in lived.folder.glob("journal.db*"):
            path.unlink()
        (lived.folder / "journal.db").write_bytes(before)
    assert made.index("The event log is not as it was written") < made.index("What it was doing")
    assert "edited: entry 3 was edited" in made


def test_span_longer_than_the_store_is_cut_to_what_is_known(lived):
    made = report(lived.config, "mill-2", (0, 2**60), lived.now_us + 10**12)
    assert "about the other machine" in made
    assert "2026-11-25" in made
