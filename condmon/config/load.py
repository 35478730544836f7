"""From a file to a `Config`: the table of contents of the configuration."""

import hashlib
from pathlib import Path

from condmon.config import checks, influx, machine, plan, send, site, text, ways, web
from condmon.config.shape import Config
from condmon.config.table import Problems, Section
from condmon.engine.settings import Settings
from condmon.errors import ConfigError


def load(path: Path, words: str | None = None) -> Config:
    """Read a configuration file, or `words` as if they stood in it.

    Raises
    ------
    ConfigError
        With every problem found, as `file:line: [section] key: what is wrong; what to do`.
    """
    words = text.read(path) if words is None else words
    parsed = text.parse(words)
    problems = Problems(str(path), parsed)
    if parsed.broken and not parsed.tables:
        raise ConfigError(problems.all())
    top = Section(parsed.tables, (), "", problems)
    if not send.version(top):
        raise ConfigError(problems.all())
    digest = hashlib.sha256(words.encode()).hexdigest()[:12]
    made = _config(path, top, problems, digest)
    found = problems.all()
    if found:
        raise ConfigError(found)
    return made


def _config(path: Path, top: Section, problems: Problems, digest: str) -> Config:
    """Make the settings, good or not; `problems` tells afterwards which."""
    folder = path.parent
    where = site.site(top.within("site", "site"))
    everywhere, own = checks.parted(checks.adjustments(top))
    machines = machine.machines(top, everywhere)
    outward = top.within("send", "send")
    webhooks, emails = send.webhooks(outward, folder), send.emails(outward, folder)
    pushes, services = ways.pushes(outward, top), ways.services(outward, folder)
    told_by = ways.told_by(outward, [*webhooks, *emails, *pushes, *services])
    plans, reaching = plan.plan(top.within("plan", "plan"), told_by)
    settings = Settings(
        where.name, where.calendar, machines, checks.own_checks(top, machines),
        where.unattended, plans, where.digest_minute,
        where.digest_days, where.lateness_s, digest, own,
    )  # fmt: skip
    broker = send.broker(top.within("broker", "broker"), folder, where.name)
    store = send.store(top.within("store", "store"), folder)
    page, mirror = web.web(top, folder, store.path), influx.influx(top, folder)
    topic = ways.alert_topic(outward, settings, broker.also)
    return Config(
        path, settings, broker, store, webhooks, emails, problems.warnings(), page, mirror,
        pushes, services, topic, reaching,
    )  # fmt: skip
