"""The keys of the configuration format, section by section; deploy/condmon.toml explains each.

A key that is not here is refused. `NAME` stands for a name of the shop's choosing.
"""

FORMAT = 1
"""The version of the format this condmon reads (`format = 1` at the top of a file)."""

KEYS: dict[str, tuple[str, ...]] = {
    "": ("format", "site", "broker", "store", "machine", "check", "adjust", "plan", "send",
         "web", "influx"),
    "site": ("name", "timezone", "unattended", "digest", "digest_days", "lateness"),
    "broker": (
        "url", "ca_file", "cert_file", "key_file", "username", "password_file", "client_id",
        "keepalive", "session_expiry", "receive_maximum", "payload_bytes_max", "also",
    ),
    "store": (
        "path", "keep", "keep_recordings", "keep_raw", "disk_min_mb", "disk_max_mb",
    ),
    "machine": ("id", "name", "duty", "signal", "adjust"),
    "machine.signal.NAME": (
        "topic", "role", "kind", "unit", "title", "form", "value", "time", "each", "where", "dt",
        "decimal_comma", "sparkplug", "metric", "binary", "scale", "sent_unit", "range",
        "step_max", "stale_after", "debounce", "words", "width", "every", "trip", "setpoint",
        "tolerance", "fed_by", "axis", "place",
    ),
    "machine.signal.NAME.words": ("on", "off"),
    "adjust.CHECK": ("enabled", "hold", "release", "urgency"),
    "check": (
        "id", "machines", "when", "hold", "release", "deadband", "urgency", "title", "why",
        "look_first", "caution",
    ),
    "web": ("listen", "port", "address", "names", "cert_file", "key_file", "signed_in_for",
            "own_certificate", "install_port"),
    "influx": ("url", "org", "bucket", "token_file", "ca_file", "timeout"),
    "plan": ("now", "today", "note", "quiet", "test", "test_days"),
    "plan.URGENCY": (
        "ways", "unattended_ways", "next_ways", "next_after", "remind_after", "hand_over_after",
        "hand_over_to", "tell_end",
    ),
    "send": ("webhook", "email", "push", "apprise", "topic"),
    "send.push": ("name", "contact", "people", "hosts", "urgencies", "timeout"),
    "send.apprise": ("name", "urls_file", "urgencies", "timeout"),
    "send.topic": ("topic", "urgencies"),
    "send.webhook": ("name", "url", "secret_file", "urgencies", "timeout"),
    "send.email": (
        "name", "host", "port", "security", "username", "password_file", "sender", "to",
        "urgencies", "timeout",
    ),
}  # fmt: skip

INSTEAD = {
    "include": "one file holds everything; write the sections here",
    "limit_high": 'the machine\'s own limit is "trip"; a limit of the shop is a [[check]] '
    'with when = "NAME > 50"',
    "limit_low": 'write a [[check]] with when = "NAME < 5", or "range" for what is plausible',
    "limit": '"trip" is where the machine stops itself; a limit of the shop is a [[check]]',
    "password": 'put it alone in a file readable by its owner only, and name it: "password_file"',
    "secret": 'put it alone in a file readable by its owner only, and name it: "secret_file"',
    "host": 'write host and port as url = "mqtt://host:1883"',
    "port": 'write host and port as url = "mqtt://host:1883"',
    "tls": 'write url = "mqtts://host:8883"',
    "from": 'the address mail comes from is "sender"',
    "id": "the name in the section's header is the id",
    "name": "the name in the section's header is the name; a longer one goes into title",
}
"""Keys people expect that have another name here -> what to write instead."""
