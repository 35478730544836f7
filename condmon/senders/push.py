"""Web Push: a notification on each phone that asked for it (RFC 8030). Needs the internet.

The text goes to the push service of the phone's browser encrypted; only the phone can read it.
"""

from pathlib import Path
from urllib.parse import urlsplit

import orjson

from condmon.config.shape import Push
from condmon.engine.ids import short_id
from condmon.engine.settings import Urgency
from condmon.errors import SendError, StoreError, UsageError
from condmon.senders import sealing
from condmon.senders.letter import Letter
from condmon.senders.posting import is_later, post, retry_after_s
from condmon.senders.subscriptions import Subscription, Subscriptions, endpoint_of

BODY_CHARACTERS_MAX = 400
PARTLY_TAKEN_MAX = 1000
TTL_S: dict[Urgency, int] = {"now": 12 * 3600, "today": 24 * 3600, "note": 24 * 3600}
"""How long a push service keeps it for a phone that is off; the phone looks again when it comes."""

URGENCY: dict[Urgency, str] = {"now": "high", "today": "normal", "note": "low"}
GONE = {404, 410}


class PushSender:
    """Notifies the phones of some people.

    A phone that could not be reached for now gets it at a later try and the others do not get it
    again; a subscription that is gone is forgotten.
    """

    def __init__(self, push: Push, folder: Path) -> None:
        self.name = push.name
        self.urgencies = push.urgencies
        self._push, self._folder = push, folder
        self._subscriptions = Subscriptions(folder)
        self._settled: dict[str, dict[str, bool]] = {}  # key -> endpoint -> taken, or gone

    def send(self, letter: Letter) -> str | None:
        """Notify every phone; raises SendError if any still has to be reached, or none is there."""
        settled = self._settled.setdefault(letter.key, {})
        later: list[SendError] = []
        never: list[str] = []
        for one in self._phones():
            if one.endpoint in settled:
                continue
            try:
                settled[one.endpoint] = self._send(letter, one)
                if not settled[one.endpoint]:
                    never.append(f"{one.name} of {one.account} is no longer subscribed; switch "
                                 "notifications on again with it")  # fmt: skip
            except SendError as error:
                if error.again:
                    later.append(error)
                else:
                    never.append(str(error))
        if later:
            self._forget_old()
            wait_s = max(error.wait_s or 0.0 for error in later)
            raise SendError(str(later[0]), again=True, wait_s=wait_s)
        del self._settled[letter.key]
        if not any(settled.values()):
            raise SendError("; ".join(never) or NOBODY, again=False, setup=True)
        return "; ".join(never) or None

    def _phones(self) -> list[Subscription]:
        try:
            return self._subscriptions.of(self._push.people)
        except StoreError as error:
            raise SendError(str(error), again=True) from None

    def _send(self, letter: Letter, one: Subscription) -> bool:
        """Post one notification; whether there still is such a subscription."""
        try:
            url = endpoint_of(one.endpoint, self._push.hosts)
            key = sealing.own_key(self._folder)
            body = sealing.seal(text_of(letter), one.receiver)
        except (UsageError, ValueError) as error:
            raise SendError(f"{one.name} of {one.account}: {error}", again=False) from None
        except StoreError as error:
            raise SendError(str(error), again=True) from None
        origin = f"https://{url.netloc}"
        now_s = letter.sent_us // 1_000_000
        answer = post(
            urlsplit(one.endpoint),
            body,
            {
                "Host": url.netloc,
                "Content-Type": "application/octet-stream",
                "Content-Encoding": "aes128gcm",
                "TTL": str(TTL_S[letter.message.urgency]),
                "Urgency": URGENCY[letter.message.urgency],
                "Topic": topic_of(letter),
                "Authorization": sealing.authorization(key, origin, self._push.contact, now_s),
            },
            self._push.timeout_s,
        )
        if answer.status in GONE:
            self._subscriptions.remove(one.phone, one.endpoint)
            return False
        if 200 <= answer.status < 300:
            return True
        raise _refused(answer.status, f"the push service of {one.name} of {one.account}",
                       retry_after_s(answer))  # fmt: skip

    def _forget_old(self) -> None:
        while len(self._settled) > PARTLY_TAKEN_MAX:
            del self._settled[next(iter(self._settled))]


NOBODY = (
    "no phone has notifications switched on; switch them on with each phone on the page "
    '"Ways to people"'
)


def text_of(letter: Letter) -> bytes:
    """What the phone shows: title, a few words, and the page it opens."""
    first = letter.alerts[0] if len(letter.alerts) == 1 else None
    if first and first.ended_us is None:
        look = f" Look first: {first.look_first[0]}" if first.look_first else ""
        words = f"{first.what}{look}".strip() or first.title
    else:
        words = letter.message.text if letter.message.kind == "digest" else letter.title
    shown = {
        "title": letter.title[:120],
        "body": words[:BODY_CHARACTERS_MAX],
        "tag": topic_of(letter),
        "alert": first.id if first else "",
        "open": f"/alerts/{first.id}" if first else "/",
        "over": first is not None and first.ended_us is not None,
    }
    made = orjson.dumps(shown)
    assert len(made) <= sealing.TEXT_BYTES_MAX, "titles and words are cut above"
    return made


def topic_of(letter: Letter) -> str:
    """What a later message about the same replaces, at the service (RFC 8030, 5.4) and there."""
    about = letter.alerts[0].id if len(letter.alerts) == 1 else letter.key
    return short_id("push", about)[:32]


def _refused(status: int, who: str, wait_s: float | None) -> SendError:
    if is_later(status):
        return SendError(f"{who} answered {status}: not now", again=True, wait_s=wait_s)
    if status in {400, 401, 403}:
        return SendError(f"{who} answered {status}: it does not accept our key or address; check "
                         "the clock of this computer and contact under [[send.push]], then switch "
                         "notifications off and on again", again=False)  # fmt: skip
    if 300 <= status < 400:
        return SendError(f"{who} answered {status}: it points elsewhere, which is not followed",
                         again=False)  # fmt: skip
    return SendError(f"{who} answered {status}: it will not take this message", again=False)
