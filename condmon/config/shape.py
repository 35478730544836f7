"""What a configuration file becomes: frozen values for the shell, `Settings` for the engine."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path
from typing import Literal

from condmon.engine.settings import Settings, Urgency


@dataclass(frozen=True, slots=True)
class Broker:
    """How to reach the MQTT broker. Files hold the secrets; nothing here is one."""

    host: str
    port: int
    tls: bool
    ca_file: Path | None  # None with tls: the authorities the system trusts
    cert_file: Path | None
    key_file: Path | None
    username: str | None
    password_file: Path | None
    client_id: str
    keepalive_s: int = 30
    session_expiry_s: int = 14 * 86400
    receive_maximum: int = 2000  # messages in flight before an acknowledgement
    payload_bytes_max: int = 65536
    also: tuple[str, ...] = ()  # further topic filters to listen to (strays get reported)


@dataclass(frozen=True, slots=True)
class Store:
    """Where condmon keeps what it must not lose."""

    path: Path
    keep_raw_s: float = 0
    disk_min_mb: int = 200
    keep_s: float = 730 * 86400.0  # samples of sealed days
    keep_recordings_s: float = 14 * 86400.0
    disk_max_mb: int = 0  # 0: no bound


@dataclass(frozen=True, slots=True)
class Webhook:
    """A web address that takes messages; with a secret file, each is signed."""

    name: str
    url: str
    secret_file: Path | None
    urgencies: tuple[Urgency, ...]
    timeout_s: float = 10


@dataclass(frozen=True, slots=True)
class Email:
    """A mail server and whom to write to."""

    name: str
    host: str
    port: int
    security: Literal["none", "starttls", "tls"]
    username: str | None
    password_file: Path | None
    sender: str
    to: tuple[str, ...]
    urgencies: tuple[Urgency, ...]
    timeout_s: float = 20


@dataclass(frozen=True, slots=True)
class Push:
    """Notifications by Web Push on phones that asked for them."""

    name: str
    contact: str  # mail address at which a push service reaches the shop (RFC 8292)
    people: tuple[str, ...]  # accounts; empty: everyone
    hosts: tuple[str, ...]  # push services that may be called, "*." in front: those below it
    urgencies: tuple[Urgency, ...]
    timeout_s: float = 10


@dataclass(frozen=True, slots=True)
class Services:
    """Services the shop uses already, by the library of the extra `apprise`."""

    name: str
    urls_file: Path  # one address a line; they hold passwords
    urgencies: tuple[Urgency, ...]
    timeout_s: float = 30


@dataclass(frozen=True, slots=True)
class AlertTopic:
    """Alerts as retained messages on the broker, below one topic, for lamps and buzzers."""

    topic: str
    urgencies: tuple[Urgency, ...]


@dataclass(frozen=True, slots=True)
class Reach:
    """By which ways messages of one urgency go; the names of ways."""

    ways: tuple[str, ...] | None = None  # told at once; None: all but next and hand-over ways
    unattended_ways: tuple[str, ...] | None = None  # instead, in the unattended hours
    next_ways: tuple[str, ...] = ()  # one after the other, while none of the others gets through
    next_after_s: float = 300.0
    hand_over_to: tuple[str, ...] = ()
    hand_over_step: int = 0  # the reminder that goes to them; 0: none does
    hand_over_reminds: bool = False  # that reminder goes to the first ones too

    def at_once(self, name: str) -> bool:
        """Whether a way that takes the urgency is told at once in attended hours."""
        aside = {*self.next_ways, *self.hand_over_to}
        return name not in aside if self.ways is None else name in self.ways


@dataclass(frozen=True, slots=True)
class Reaching:
    """Everything [plan] says about ways and hours."""

    reaches: Mapping[str, Reach] = field(default_factory=dict)  # urgency -> how it goes out
    quiet: tuple[tuple[int, int], ...] = ()  # minutes of the week [from, to): only `now` goes out
    test_minute: int | None = None  # minute of the day of the test message; None: none is sent
    test_days: frozenset[int] = frozenset(range(7))


@dataclass(frozen=True, slots=True)
class Web:
    """Where the phone page listens and how it is reached."""

    listen: str = "127.0.0.1"  # an IP number
    port: int = 8470
    address: str = ""  # "https://name:port" as phones open it; empty: as they came
    names: tuple[str, ...] = ()  # further names of this computer that are answered
    cert_file: Path | None = None
    key_file: Path | None = None
    signed_in_for_s: float = 90 * 86400.0
    own_certificate: bool = False  # cert_file and key_file are made and renewed by condmon
    install_port: int = 0  # plain HTTP, for the own authority's certificate only; 0: none

    @property
    def beyond_this_computer(self) -> bool:
        """Whether others than this computer could reach the page."""
        return not ip_address(self.listen).is_loopback


@dataclass(frozen=True, slots=True)
class Influx:
    """A time-series server that takes the InfluxDB v2 write interface."""

    url: str  # without /api/v2/write
    org: str = "condmon"
    bucket: str = "condmon"
    token_file: Path | None = None
    ca_file: Path | None = None  # None with https: the authorities the system trusts
    timeout_s: float = 10


@dataclass(frozen=True, slots=True)
class Config:
    """Everything one configuration file says."""

    path: Path
    settings: Settings
    broker: Broker
    store: Store
    webhooks: tuple[Webhook, ...]
    emails: tuple[Email, ...]
    warnings: tuple[str, ...]
    web: Web | None = None
    influx: Influx | None = None
    pushes: tuple[Push, ...] = ()
    services: tuple[Services, ...] = ()
    alert_topic: AlertTopic | None = None
    reaching: Reaching = Reaching()
