"""Setting the mirror up: the section of the configuration, and the servers that deploy/ starts."""

import re
import time
from pathlib import Path

import pytest

from condmon.config import Influx, load
from condmon.errors import ConfigError
from condmon.influx.server import Server
from tests.tsserver import Victoria
from tests.waiting import until

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
HEAD = """[site]
name = "Pier"
timezone = "UTC"
[[machine]]
id = "mill-1"
name = "Mill"
[machine.signal.power]
topic = "a"
role = "power"
[influx]
"""


def read(folder: Path, section: str) -> Influx | None:
    (folder / "condmon.toml").write_text(HEAD + section)
    return load(folder / "condmon.toml").influx


def test_a_server_needs_its_address_only(tmp_path):
    assert Influx("http://127.0.0.1:8086", "condmon", "condmon", None, None, 10) == read(
        tmp_path, 'url = "http://127.0.0.1:8086/"\n'
    )


def test_every_key_is_taken(tmp_path):
    (tmp_path / "token").write_text("sesame")
    (tmp_path / "token").chmod(0o600)
    (tmp_path / "ca.pem").write_text("certificate")
    section = ('url = "https://store.pier.example/ts"\norg = "pier"\nbucket = "mills"\n'
               'token_file = "token"\nca_file = "ca.pem"\ntimeout = "5 s"\n')  # fmt: skip
    files = (tmp_path / "token", tmp_path / "ca.pem")
    assert Influx("https://store.pier.example/ts", "pier", "mills", *files, 5) == read(
        tmp_path, section
    )


@pytest.mark.parametrize(
    ("section", "words"),
    [
        ("", "url is missing"),
        ('url = "127.0.0.1:8086"', 'begins with "https://" or "http://"'),
        ('url = "http://a/api/v2/write"', "leave /api/v2/write out"),
        ('url = "http://a?org=b"', "without anything behind the path"),
        ('url = "http://user:word@a"', "name and password do not belong"),
        ('url = "http://a"\ntoken = "t"', 'did you mean "token_file"'),
        ('url = "http://a"\ntoken_file = "gone"', "there is no file of this name"),
        ('url = "http://a"\nca_file = "condmon.toml"', "of use with TLS only"),
        ('url = "http://a"\ntimeout = "0.1 s"', "from 1 s to"),
    ],
)
def test_slip_is_named(tmp_path, section: str, words: str):
    with pytest.raises(ConfigError) as caught:
        read(tmp_path, section + "\n")
    assert words in str(caught.value)
    assert 1 == len(caught.value.problems)


def test_token_over_an_open_network_is_a_warning_and_on_this_computer_none(tmp_path):
    (tmp_path / "token").write_text("sesame")
    (tmp_path / "token").chmod(0o600)
    for url, count in (("http://store.pier.example", 1), ("http://localhost:8086", 0)):
        read(tmp_path, f'url = "{url}"\ntoken_file = "token"\n')
        assert count == len(load(tmp_path / "condmon.toml").warnings)


def test_servers_of_deploy_listen_on_this_computer_only():
    unit = (DEPLOY / "timeseries.service").read_text()
    assert "-httpListenAddr=127.0.0.1:8428 " in unit
    assert "DynamicUser=yes" in unit
    assert ['"127.0.0.1:8086:8086"'] == re.findall(
        r"ports:\n\s+- (\S+)\n", (DEPLOY / "compose.yaml").read_text()
    )


@pytest.mark.slow
def test_words_of_the_unit_start_a_server_that_keeps_a_repeat_once(tmp_path):
    unit = (DEPLOY / "timeseries.service").read_text().replace("\\\n", "")
    [words] = re.findall(r"^ExecStart=\S+ (.*)$", unit, re.MULTILINE)
    kept = [word for word in words.split() if not re.match("-(http|storage)", word)]
    assert 3 == len(kept)
    real = Victoria(tmp_path, kept)
    real.start()
    try:
        at_ns = time.time_ns()
        lines = [f"condmon,machine=m value={n}.5 {at_ns + n * 10**6}".encode() for n in range(9)]
        server = Server(Influx(real.url))
        for _ in range(2):
            server.write(lines)
        server.close()
        until(lambda: real.series("condmon_value"), 20, "the values can be read")
        [series] = real.series("condmon_value")
        assert [n + 0.5 for n in range(9)] == series["values"]
    finally:
        real.stop()
