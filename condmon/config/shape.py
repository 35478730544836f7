"""What a configuration file becomes: frozen values for the shell, `Settings` for the engine."""

from dataclasses import dataclass
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
class Web:
    """Where the phone page listens and how it is reached."""

    listen: str = "127.0.0.1"  # an IP number
    port: int = 8470
    address: str = ""  # "https://name:port" as phones open it; empty: as they came
    names: tuple[str, ...] = ()  # further names of this computer that are answered
    cert_file: Path | None = None
    key_file: Path | None = None
    signed_in_for_s: float = 90 * 86400.0

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
