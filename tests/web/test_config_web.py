"""The [web] section: what becomes of it, what is refused."""

import pytest

from condmon.config import Web, load
from condmon.errors import ConfigError

HEAD = '[site]\nname = "North Pier"\ntimezone = "UTC"\n[[machine]]\nid = "m"\n'


@pytest.fixture
def read(tmp_path):
    def made(text: str):
        (tmp_path / "condmon.toml").write_text(HEAD + text)
        return load(tmp_path / "condmon.toml")

    return made


def test_without_the_section_there_is_no_page(read):
    assert read("").web is None


def test_an_empty_section_means_this_computer_alone(read):
    made = read("[web]\n").web
    assert Web() == made
    assert not made.beyond_this_computer


def test_beyond_this_computer_without_tls_is_warned_of(read):
    made = read('[web]\nlisten = "0.0.0.0"\nnames = ["Condmon.local"]\n')
    assert made.web.beyond_this_computer
    assert ("condmon.local",) == made.web.names
    assert any("unencrypted" in warning for warning in made.warnings)


@pytest.mark.parametrize(("line", "words"), [
    ('listen = "box.local"', "write a number"), ("port = 0", "1 to 65535"),
    ('address = "http://box/path"', "without a path"), ('address = "https://box"', "cert_file"),
    ('cert_file = "none.pem"', "cannot be read"), ('signed_in_for = "1 min"', "1 h"),
    ('names = ["a b"]', "no name of a computer"), ("listne = 1", "listen"),
])  # fmt: skip
def test_what_cannot_be_used_is_told_with_what_to_do(read, line, words):
    with pytest.raises(ConfigError) as caught:
        read(f"[web]\n{line}\n")
    assert words in str(caught.value)


def test_certificate_and_key_go_together(read, tmp_path):
    (tmp_path / "web.pem").write_text("x")
    with pytest.raises(ConfigError, match="go together"):
        read('[web]\ncert_file = "web.pem"\n')
