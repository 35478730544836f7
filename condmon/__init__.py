"""condmon: watches machine tools over MQTT, says what is wrong, why it matters, what to look at."""

__version__ = "0.1.0"
