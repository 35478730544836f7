"""One write request to the time-series server, and what came of it. Uses influxdb-client.

Always synchronous and one body of bytes: what batches and tries again by itself loses points on a
401 or a long outage, and would be a second outbox beside the recorder. Taken is what was answered
with 204 and nothing else.
"""

import gzip
import http.client
import re
from collections.abc import Sequence
from email.utils import parsedate_to_datetime
from http import HTTPStatus
from typing import Any

import orjson

from condmon import __version__
from condmon.config.shape import Influx
from condmon.errors import SendError
from condmon.senders.wire import secret

GZIP_LEVEL = 1  # higher levels cost the edge box more time than they save the network
WAIT_ASKED_MAX_S = 3600.0
REASON_MAX = 300
_LATER = {HTTPStatus.REQUEST_TIMEOUT, HTTPStatus.TOO_EARLY, HTTPStatus.TOO_MANY_REQUESTS}
_REFUSED = {HTTPStatus.BAD_REQUEST, HTTPStatus.UNPROCESSABLE_ENTITY}
_DO = {
    401: "it does not accept the token; put a valid one into token_file",
    403: "the token may not write there; give it the right to write to the bucket",
    404: "it has no such organisation or bucket, or the address is wrong; look at url, org, bucket",
}


class TooLargeError(Exception):
    """The server takes smaller bodies only."""


class RefusedError(Exception):
    """At least one line is not to the server's liking; the text is what it said."""

    @property
    def too_old(self) -> bool:
        """Whether it wrote everything but what is older than the bucket keeps.

        InfluxDB's words are "partial write: points beyond retention policy dropped=n" (from
        memory).
        """
        return "beyond retention" in str(self)


class TroubleError(Exception):
    """The server took nothing; try again later.

    `person` says that somebody has to do something before it can work, `wait_s` how long the
    server wants to be left alone.
    """

    def __init__(self, reason: str, *, person: bool = False, wait_s: float = 0.0) -> None:
        super().__init__(reason)
        self.person = person
        self.wait_s = wait_s


class Server:
    """Keeps a connection open between requests, and reads the token anew after any trouble."""

    def __init__(self, influx: Influx) -> None:
        self._influx = influx
        self._open: Any = None
        self._secret = ""

    def write(self, lines: Sequence[bytes]) -> None:
        """Have lines written. Raises TooLargeError, RefusedError, TroubleError."""
        body = gzip.compress(b"\n".join(lines), GZIP_LEVEL)
        try:
            self._post(body)
        except TroubleError:
            self.close()
            raise

    def close(self) -> None:
        """Close the connection; the next write opens another."""
        if self._open is not None:
            self._open.close()
            self._open = None

    def _post(self, body: bytes) -> None:
        from urllib3.exceptions import HTTPError

        library = _library()
        where = self._influx.url
        try:
            _, status, _ = library.WriteService(
                self._client().api_client
            ).post_write_with_http_info(
                self._influx.org,
                self._influx.bucket,
                body,
                precision="ns",
                content_encoding="gzip",
                content_type="text/plain; charset=utf-8",
                _return_http_data_only=False,
            )
        except library.rest.ApiException as error:
            self._judge(error)
        except HTTPError as error:
            raise TroubleError(_failure(where, error, self._influx.timeout_s)) from error
        except (OSError, http.client.HTTPException, ValueError) as error:
            kind = type(error).__name__  # its text could hold what we sent
            raise TroubleError(f"{where} did not answer in HTTP ({kind})") from error
        else:
            if status != HTTPStatus.NO_CONTENT:
                words = (
                    f"{where} answered {status} where 204 is due: no time-series server is there"
                )
                raise TroubleError(f"{words}; look at url", person=True)

    def _client(self) -> Any:
        if self._open is None:
            self._open = _library().InfluxDBClient(
                self._influx.url,
                token=self._token(),
                org=self._influx.org,
                timeout=round(self._influx.timeout_s * 1000),
                ssl_ca_cert=str(self._influx.ca_file) if self._influx.ca_file else None,
                connection_pool_maxsize=1,
            )
            self._open.api_client.user_agent = f"condmon/{__version__}"
        return self._open

    def _token(self) -> str | None:
        file = self._influx.token_file
        if file is None:
            return None
        try:
            token = secret(file)
        except SendError as error:
            raise TroubleError(str(error), person=True) from error
        if not (token.isascii() and token.isprintable()):
            raise TroubleError(f"{file} holds no token: it is one line of plain letters, figures "
                               "and signs, alone in the file", person=True)  # fmt: skip
        self._secret = token
        return token

    def _judge(self, error: Any) -> None:
        """Raise what an answer other than 2xx means."""
        status, where = int(error.status or 0), self._influx.url
        if not status:
            words = " ".join(str(error.reason).split())[:REASON_MAX]
            reason = f"no secure connection to {where}: {words}"
            raise TroubleError(f"{reason}; look at certificate and ca_file", person=True)
        said = _said(error.body, self._secret)
        if status == HTTPStatus.REQUEST_ENTITY_TOO_LARGE:
            raise TooLargeError(said or "the request is too large for the server")
        if status in _REFUSED:
            raise RefusedError(said or f"answered {status}")
        wait_s = _wait_s(error.headers)
        if status in _LATER or status >= HTTPStatus.INTERNAL_SERVER_ERROR:
            raise TroubleError(f"{where} answered {status} {said}".rstrip(), wait_s=wait_s)
        do = _DO.get(status, "it takes no samples at this address; look at url")
        raise TroubleError(f"{where} answered {status}: {do}", person=True, wait_s=wait_s)


def _library() -> Any:
    """influxdb-client: 42 MB and most of a second, so only who has such a server pays for it."""
    import influxdb_client
    import influxdb_client.rest

    return influxdb_client


def _said(body: object, secret: str) -> str:
    """What the server said: the message of its JSON, or the beginning of whatever it sent.

    A server, or what stands before it, may repeat what it was sent: the token is taken out.
    """
    text = body if isinstance(body, str) else ""
    try:
        found = orjson.loads(text)
        text = str(found["message"])
    except (ValueError, KeyError, TypeError):
        pass
    text = text.replace(secret, "(token)") if secret else text
    return " ".join(text.split())[:REASON_MAX]


def _wait_s(headers: Any) -> float:
    """Seconds of Retry-After (RFC 9110, 10.2.3), 0 where there is none or it cannot be read."""
    given = str((headers or {}).get("Retry-After") or "").strip()
    if re.fullmatch(r"\d{1,9}", given):
        return min(float(given), WAIT_ASKED_MAX_S)
    now = str((headers or {}).get("Date") or "")  # by the server's clock, ours may differ
    try:
        wait_s = (parsedate_to_datetime(given) - parsedate_to_datetime(now)).total_seconds()
    except (ValueError, TypeError, OverflowError):
        return 0.0
    return min(max(0.0, wait_s), WAIT_ASKED_MAX_S)


def _failure(where: str, error: Exception, timeout_s: float) -> str:
    """Tell why no answer came, in words."""
    kind = type(error).__name__
    if "Timeout" in kind:
        return f"{where} did not answer within {timeout_s:g} s"
    if kind == "NameResolutionError":
        return f"the name in {where} is not known; check the name and the network"
    if kind == "NewConnectionError":
        return f"nothing listens at {where}"
    return f"the connection to {where} failed ({kind})"
