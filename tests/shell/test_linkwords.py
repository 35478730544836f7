"""What a person reads when there is no connection, and what kind of waiting follows."""

import socket
import ssl

import pytest

from condmon.config import Broker
from condmon.errors import CondmonError
from condmon.mqtt.linkwords import cannot_connect, refused, thrown_out

BROKER = Broker("mqtt.pier.example", 8883, True, None, None, None, None, None, "c")


@pytest.mark.parametrize(("code", "why", "words"), [
    (0x86, "credentials", "put the right one into the password file"),
    (0x87, "credentials", "refused our user or password"),
    (0x85, "set-up", "set another client_id"),
    (0x84, "set-up", "does not speak MQTT 5"),
    (0x88, "lost", "refused the connection (as told)"),
])  # fmt: skip
def test_refusals_by_code_of_the_broker(code, why, words):
    ending = refused(code, "as told")
    assert why == ending.why
    assert words in ending.words


@pytest.mark.parametrize(("code", "why", "words"), [
    (0x8E, "taken over", "another client came with our name 'c'"),
    (0x87, "credentials", "withdrew our right"),
    (0x8B, "lost", "ended the connection (as told)"),
])  # fmt: skip
def test_ends_by_code_of_the_broker(code, why, words):
    ending = thrown_out(code, "as told", "c")
    assert why == ending.why
    assert words in ending.words


@pytest.mark.parametrize(("error", "why", "words"), [
    (ConnectionRefusedError(), "lost", "nobody listens at mqtt.pier.example:8883"),
    (TimeoutError(), "lost", "no answer from mqtt.pier.example:8883"),
    (socket.gaierror(-2, "Name or service not known"), "lost", "cannot be resolved"),
    (PermissionError(13, "Permission denied", "secret"), "set-up", "cannot read secret"),
    (OSError(101, "Network is unreachable"), "lost", "Network is unreachable"),
    (ssl.SSLError(1, "wrong version number"), "lost", "perhaps the port is not the TLS one"),
    (CondmonError("said so"), "set-up", "said so"),
    (ValueError("odd"), "lost", "odd"),
])  # fmt: skip
def test_what_kept_us_from_connecting(error, why, words):
    ending = cannot_connect(error, BROKER)
    assert why == ending.why
    assert words in ending.words
