"""Runs the page in a thread and loop of its own, beside the turn and never in its way.

Until there is an owner it listens on this computer only, whatever the configuration says. A renewed
certificate is taken up without a restart. A page that cannot run is told in the log; the watch goes
on without it.
"""

import asyncio
import contextlib
import logging
import socket
import ssl
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import uvicorn
from anyio.to_thread import current_default_thread_limiter

from condmon import log
from condmon.clock import Clock
from condmon.config.shape import Config, Web
from condmon.engine.engine import Engine
from condmon.engine.outputs import Output
from condmon.engine.records import Record
from condmon.engine.view import View
from condmon.life import Life
from condmon.tls import authority
from condmon.web.accounts import Accounts, new_code
from condmon.web.app import load_files, make_app, make_templates
from condmon.web.installing import OwnCertificate, installer
from condmon.web.limits import Limit
from condmon.web.live import Live
from condmon.web.normal import Normal
from condmon.web.parts import Parts
from condmon.web.past import Past
from condmon.web.patience import Patience

HERE = "127.0.0.1"
AGAIN_S = 30.0  # after the address could not be taken
STOP_S = 5.0
OWN_CERTIFICATE_EVERY = 18_000  # rounds of 0.1 s: half an hour
CONNECTIONS_MAX = 200
THREADS = 12
_log = log.get("page")


class Page:
    """The phone page of one daemon.

    Parameters
    ----------
    config : Config
        With a [web] section.
    clock : Clock
        Time.
    put_action : callable
        The inbox's door for what people do.
    life : Life, optional
        Sees whether the threads live.

    Raises StoreError when the accounts cannot be used.
    """

    def __init__(
        self,
        config: Config,
        clock: Clock,
        put_action: Callable[[Record], None],
        life: Life | None = None,
    ) -> None:
        assert config.web is not None
        self._web: Web = config.web
        self.port = 0  # where it listens, 0 while it does not
        self.live = Live(clock.now_us, put_action)
        folder = config.store.path
        accounts = Accounts(folder, clock.now_us, self._web.signed_in_for_s)
        files, marks = load_files()
        past = Past(config.settings, folder, clock)
        self.parts = Parts(
            config, clock, accounts, self.live, past, Normal(past), make_templates(),
             files, marks,
            tries_here=Limit(5, 60.0, clock.monotonic_s),
            tries_name=Limit(10, 60.0, clock.monotonic_s),
            writes=Limit(120, 60.0, clock.monotonic_s),
            first_code="" if accounts.has_owner() else new_code(),
        )  # fmt: skip
        self._own = OwnCertificate(config, clock, self.live.note)
        life = life or Life()
        self._stop = threading.Event()
        self._pulse = life.pulse("page", "the page", self._stop)
        charts = life.pulse("page", "its charts", self._stop)
        self.threads = [
            threading.Thread(target=self._serve, name="page", daemon=True),
            threading.Thread(target=self.parts.past.run, args=(charts,), name="past", daemon=True),
        ]

    def greeting(self) -> str:
        """Where the page is, and how to become its first owner."""
        scheme = "https" if self._web.cert_file else "http"
        own = f"{scheme}://{self._host()}:{self._web.port}"
        text = f"The phone page: {self._web.address or own}"
        if self._web.install_port:
            text += (
                "\nPhones install the certificate of this box's own authority once, from http://"
                f"{self._host()}:{self._web.install_port}; `condmon certificate show` tells more."
            )
        if self.parts.first_code:
            text += (
                f"\nIt has no owner yet and listens on this computer only. Open {own}/first here "
                f"and give this code once: {self.parts.first_code}\n"
                "From elsewhere: condmon user add NAME --role owner"
            )
        return text

    def certificate_ends_us(self) -> int | None:
        """When the page's certificate ends; None where there is none that can be read."""
        if self._web.cert_file is None:
            return None
        try:
            return authority.ends_at_us(self._web.cert_file)
        except (OSError, ValueError):  # told where it is taken up
            return None

    def start(self) -> None:
        """Begin to serve."""
        for thread in self.threads:
            thread.start()

    def stop(self) -> None:
        """End open pages and leave."""
        self._stop.set()
        self.parts.weighing.stop()
        for thread in self.threads:
            if thread.is_alive():
                thread.join(STOP_S)
        self.parts.accounts.close()

    def put_view(self, view: View) -> None:
        """Show this from now on."""
        self.live.put_view(view)

    def put_book(self, engine: Engine) -> None:
        """Show this service book from now on."""
        self.parts.shelf.put(engine)

    def tell(self, outputs: Sequence[Output], engine: Engine) -> None:
        """Tell open pages of what is in the journal now; the book first, for they look into it."""
        if self.parts.shelf.note(outputs):
            self.parts.shelf.put(engine)
        self.live.tell(outputs)

    # its own thread

    def _host(self) -> str:
        """Where to listen: on this computer only until someone rules over the page."""
        return self._web.listen if self.parts.accounts.has_owner() else HERE

    def _serve(self) -> None:
        while not self._pulse.is_set():
            host = self._host()
            try:
                asyncio.run(self._until_moved(host))
            except (Exception, SystemExit) as error:  # noqa: BLE001 - the watch goes on without it
                _log.error("the page cannot be served", error=error, listen=host,
                           port=self._web.port, meaning="it is tried again in half a minute; is "
                           "another program using the port?")  # fmt: skip
                self._pulse.wait(AGAIN_S)
            finally:
                self.port = 0
                self.live.use_loop(None)

    async def _until_moved(self, host: str) -> None:
        """Serve until told to stop, or until another address is to be listened on."""
        web = self._web
        await asyncio.to_thread(self._own.look)
        config = uvicorn.Config(
            make_app(self.parts), host, web.port, log_config=None, access_log=False,
            lifespan="off", server_header=False, date_header=True, proxy_headers=False,
            ssl_certfile=web.cert_file, ssl_keyfile=web.key_file, timeout_keep_alive=20,
            timeout_graceful_shutdown=1, limit_concurrency=CONNECTIONS_MAX, ws="none",
            h11_max_incomplete_event_size=32 * 1024, http=Patience, loop="asyncio",
        )  # fmt: skip
        logging.getLogger("uvicorn").propagate = False  # what matters is told by our own log
        logging.getLogger("uvicorn").addHandler(logging.NullHandler())
        current_default_thread_limiter().total_tokens = THREADS
        server = _Server(config)
        self.live.use_loop(asyncio.get_running_loop())
        beside = [
            asyncio.create_task(self._look(server, config, host)),
            asyncio.create_task(self._hand_out(host)),
        ]
        try:
            await server.serve()
        finally:
            for task in beside:
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await task

    async def _hand_out(self, host: str) -> None:
        """Hand the own authority's certificate out over plain HTTP, and nothing else."""
        if not self._web.install_port:
            return
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        try:
            listening = socket.create_server((host, self._web.install_port), family=family)
        except OSError as error:
            _log.error("the page for installing cannot be served", error=error.strerror,
                       port=self._web.install_port, meaning="all else goes on; give another "
                       "install_port under [web]")  # fmt: skip
            return
        config = uvicorn.Config(
            installer(self.parts), log_config=None, access_log=False, lifespan="off",
            server_header=False, proxy_headers=False, limit_concurrency=CONNECTIONS_MAX,
            ws="none", http=Patience, timeout_graceful_shutdown=1,
        )  # fmt: skip
        with listening:
            server = _Server(config)
            try:
                await server.serve(sockets=[listening])
            finally:
                server.should_exit = True

    async def _look(self, server: "_Server", config: uvicorn.Config, host: str) -> None:
        """Look now and then whether to stop, to move, or to take up a renewed certificate."""
        renewed, round_ = _stamp(self._web), 0
        while not self._pulse.is_set():
            if server.started and not self.port:
                self.port = server.servers[0].sockets[0].getsockname()[1]
                _log.info("the page listens", listen=host, port=self.port)
            await asyncio.sleep(0.1)
            round_ += 1
            if round_ % 10:
                continue
            if self._host() != host:
                break
            if round_ % OWN_CERTIFICATE_EVERY == 0:
                await asyncio.to_thread(self._own.look)
            stamp = _stamp(self._web)
            if stamp != renewed and config.ssl and self._web.cert_file:
                renewed = stamp
                _renew(config, self._web.cert_file, self._web.key_file)
        self.live.end_streams()
        server.should_exit = True


class _Server(uvicorn.Server):
    """Leaves signals to the daemon."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def _stamp(web: Web) -> tuple[int, ...]:
    """Changes when a certificate or key was renewed."""
    found = []
    for path in (web.cert_file, web.key_file):
        with contextlib.suppress(OSError):
            if path:
                found.append(path.stat().st_mtime_ns)
    return tuple(found)


def _renew(config: uvicorn.Config, cert: Path, key: Path | None) -> None:
    try:
        assert config.ssl is not None
        # a pair that does not fit would leave the one in use without its key: try it elsewhere
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert, key)
        config.ssl.load_cert_chain(cert, key)
        _log.info("certificate renewed", file=str(cert))
    except OSError as error:  # ssl.SSLError among them: half written, or a pair that does not fit
        _log.error("the new certificate cannot be used", file=str(cert), error=error,
                   meaning="the old one is used on; put a certificate and key that go together "
                   "there")  # fmt: skip
