"""The configuration: one TOML file in, frozen settings out, every problem named at once.

`shape` says what comes out, `keys` which keys there are, `text` reads the file, `table` hands out
keys and collects problems, the others each make one part of the settings.
"""

from condmon.config.load import load
from condmon.config.shape import Broker, Config, Email, Influx, Store, Web, Webhook

__all__ = ["Broker", "Config", "Email", "Influx", "Store", "Web", "Webhook", "load"]
