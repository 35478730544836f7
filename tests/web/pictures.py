"""Pictures of every page, for people to look at: phone, phone in the dark, desk.

python -m tests.web.pictures [FOLDER]      (default: .pictures, which git ignores)
"""

import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from tests.brokers import free_port
from tests.waiting import until
from tests.web.bookrows import fill_book
from tests.web.browsers import DESK, PHONE, SMALL, chromium, phone
from tests.web.house import PASSWORD, House
from tests.web.stage import fill_past
from tests.web.visitrows import fill_visits

LOOKS = {
    "phone": {"size": PHONE},
    "dark": {"size": PHONE, "dark": True},
    "small": {"size": SMALL},
    "desk": {"size": DESK},
}


def pages(house: House) -> dict[str, str]:
    """A name and the address of every page, with something to see on each."""
    house.healthy()
    first = house.raise_alert("door-open-while-turning")
    house.end_alert(first.id)
    other = house.raise_alert("door-open-while-turning")
    alert = house.raise_alert("nose-bearing-hot")
    for do in ("acknowledge", "note"):
        house.parts.live.act(do, "ben", alert=other.id, machine="mill-1", text="oil line looked at")
    fill_book(house)
    fill_visits(house)
    return {
        "now": "/",
        "alert": f"/alerts/{alert.id}",
        "alert-seen": f"/alerts/{other.id}",
        "alert-over": f"/alerts/{first.id}",
        "machines": "/machines",
        "machine": "/machines/mill-1",
        "unexplained": "/unexplained",
        "log": "/log?words=d",
        "entry": "/log/1",
        "people": "/people",
        "ways": "/ways",
        "more": "/more",
        "report": "/report",
        "week": "/report?week=1",
        "what-if": "/what-if?machine=mill-1&check=bearing-near-trip",
        "nothing-there": "/machines/mill-9",
        "offline": "/offline",
        "certificate": "/certificate",
        "install": f"http://127.0.0.1:{house.config.web.install_port}/",
        "visits": "/visits",
        "visit": "/visits/spring",
        "visit-open": "/visits/door",
        "series": "/series",
        "one-series": "/series/runout",
        "book": "/book",
        "book-machine": "/book/mill-1",
        "book-task": "/book/tasks/strength",
        "book-component": "/book/components/spindle-a",
    }


def main(folder: Path) -> None:
    """Make them all."""
    folder.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as store,
        sync_playwright() as driver,
        chromium(driver) as browser,
    ):
        fill_past(Path(store), hours=24)
        web = f"own_certificate = true\ninstall_port = {free_port()}"
        house = House(Path(store), web=web).start()
        try:
            shoot(house, browser, folder)
        finally:
            house.stop()


def shoot(house: House, browser, folder: Path) -> None:
    doors = {"first": "/first"}
    for look, how in LOOKS.items():
        picture(phone(browser, house, **how), doors, folder, look)
    owner = house.member("anna", "owner", PASSWORD)
    house.member("ben", "operator")
    house.member("cara", "viewer")
    wanted = pages(house)
    until(lambda: house.parts.past.whole, 60, "the past is read")
    for look, how in LOOKS.items():
        picture(
            phone(browser, house, **how), {"sign-in": "/sign-in", "pair": "/pair"}, folder, look
        )
        context = phone(browser, house, owner, **how)
        picture(context, wanted, folder, look, keep=True)
        page = context.new_page()
        page.goto("/people")
        page.get_by_role("button", name="Pair a phone for anna").click()
        page.screenshot(path=folder / f"{look}-pair-code.png", full_page=True)
        context.close()


def picture(
    context, wanted: dict[str, str], folder: Path, look: str, *, keep: bool = False
) -> None:
    page = context.new_page()
    for name, address in wanted.items():
        page.goto(address)
        page.wait_for_timeout(150)
        page.screenshot(path=folder / f"{look}-{name}.png")
        page.screenshot(path=folder / f"{look}-{name}-whole.png", full_page=True)
    page.close()
    if not keep:
        context.close()


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else ".pictures"))
