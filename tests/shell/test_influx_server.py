"""One write request: what each answer of a time-series server means; 204 alone is taken."""

import gzip
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from condmon.config import Influx
from condmon.influx.server import RefusedError, Server, TooLargeError, TroubleError
from tests.brokers import free_port
from tests.receivers import certificate, mute, server_context
from tests.tsserver import Answer, Scripted

__all__ = ["mute"]
LINES = [b"condmon,machine=mill-1 value=1.0 1", b"condmon,machine=mill-1 value=2.0 2"]


@pytest.fixture
def far() -> Iterator[Scripted]:
    scripted = Scripted().open()
    yield scripted
    scripted.close()


def server(url: str, **more: object) -> Server:
    return Server(Influx(url, "pier", "mills", **more))  # type: ignore[arg-type]


def trouble(answer: Answer, far: Scripted) -> TroubleError:
    far.how = lambda _: answer
    with pytest.raises(TroubleError) as caught:
        server(far.url).write(LINES)
    return caught.value


def test_lines_go_as_one_gzip_body_with_bucket_organisation_token_and_nanoseconds(far, tmp_path):
    token = tmp_path / "token"
    token.write_text("sesame\n")
    server(far.url, token_file=token).write(LINES)
    [write] = far.writes
    assert LINES == write.lines == far.taken
    assert {"org": "pier", "bucket": "mills", "precision": "ns"} == write.query
    assert "Token sesame" == write.headers["Authorization"]
    assert "gzip" == write.headers["Content-Encoding"]


def test_one_connection_serves_many_writes(far):
    one = server(far.url)
    for _ in range(5):
        one.write(LINES)
    one.close()
    assert 10 == len(far.taken)


def test_a_changed_token_is_read_after_trouble(far, tmp_path):
    token = tmp_path / "token"
    token.write_text("old")
    one = server(far.url, token_file=token)
    far.how = lambda _: Answer(401)
    with pytest.raises(TroubleError, match="put a valid one into token_file"):
        one.write(LINES)
    token.write_text("new")
    far.how = lambda _: Answer()
    one.write(LINES)
    assert "Token new" == far.writes[-1].headers["Authorization"]


@pytest.mark.parametrize("status", [301, 302, 401, 403, 404, 405, 410, 418])
def test_answer_that_somebody_has_to_see_to(far, status: int):
    assert trouble(Answer(status), far).person


@pytest.mark.parametrize("status", [200, 201, 202])
def test_success_other_than_204_is_not_taken_for_one(far, status: int):
    found = trouble(Answer(status, body=b"<html>welcome</html>"), far)
    assert found.person
    assert "no time-series server" in str(found)


@pytest.mark.parametrize("status", [408, 425, 429, 500, 502, 503, 504])
def test_answer_that_may_pass_by_itself(far, status: int):
    assert not trouble(Answer(status), far).person


def test_retry_after_is_read_in_seconds_and_as_a_date_by_the_servers_clock(far):
    assert 30.0 == trouble(Answer(429, {"Retry-After": "30"}), far).wait_s
    due = "Wed, 21 Oct 2015 07:28:00 GMT"
    at_that = {"Retry-After": due, "Date": "Wed, 21 Oct 2015 07:27:00 GMT"}
    answer = Answer(503, at_that)
    assert 0.0 <= trouble(answer, far).wait_s <= 60.0  # two Date headers: ours or the server's own
    assert 3600.0 == trouble(Answer(429, {"Retry-After": "99999"}), far).wait_s
    assert 0.0 == trouble(Answer(429, {"Retry-After": "soon"}), far).wait_s


@pytest.mark.parametrize("status", [400, 422])
def test_refusal_gives_the_servers_own_words(far, status: int):
    body = b'{"code":"invalid","message":"unable to parse \'x\': missing fields"}'
    far.how = lambda _: Answer(status, body=body)
    with pytest.raises(RefusedError, match=r"^unable to parse 'x': missing fields$"):
        server(far.url).write(LINES)


def test_too_large_is_its_own_thing(far):
    far.how = lambda _: Answer(413)
    with pytest.raises(TooLargeError):
        server(far.url).write(LINES)


def test_server_that_hangs_is_given_up_in_time(mute):
    with pytest.raises(TroubleError, match=r"did not answer within 0\.3 s") as caught:
        server(f"http://127.0.0.1:{mute.port}", timeout_s=0.3).write(LINES)
    assert not caught.value.person


def test_nothing_listening_and_unknown_name_are_said_in_words():
    with pytest.raises(TroubleError, match="nothing listens at"):
        server(f"http://127.0.0.1:{free_port()}").write(LINES)
    with pytest.raises(TroubleError, match="is not known"):
        server("http://nowhere.invalid:8086").write(LINES)


@pytest.mark.parametrize("sent", [b"", b"SSH-2.0-server\r\n",
                                  b"HTTP/1.1 400 X\r\nContent-Length: 3\r\n\r\n\xff\xfe\xfd",
                                  b"HTTP/1.1 99999999999 X\r\n\r\n"])  # fmt: skip
def test_whatever_answers_is_trouble_or_a_refusal_and_never_taken(sent: bytes):
    listener = socket.create_server(("127.0.0.1", 0))

    def answer() -> None:
        line, _ = listener.accept()
        with line:
            line.recv(65536)
            line.sendall(sent)

    thread = threading.Thread(target=answer, daemon=True)
    thread.start()
    with pytest.raises((TroubleError, RefusedError)):
        server(f"http://127.0.0.1:{listener.getsockname()[1]}", timeout_s=1).write(LINES)
    listener.close()


def test_certificate_of_an_unknown_authority_is_for_a_person_and_a_known_one_is_taken(tmp_path):
    pem = certificate(tmp_path)
    far = Scripted().open()
    assert far._server is not None
    far._server.socket = server_context(pem).wrap_socket(far._server.socket, server_side=True)
    url = far.url.replace("http:", "https:")
    try:
        with pytest.raises(TroubleError, match="ca_file") as caught:
            server(url).write(LINES)
        assert caught.value.person
        server(url, ca_file=Path(tmp_path / "cert.pem")).write(LINES)
        assert LINES == far.taken
    finally:
        far.close()


def test_token_file_that_is_gone_is_for_a_person(far, tmp_path):
    with pytest.raises(TroubleError, match="cannot be read") as caught:
        server(far.url, token_file=tmp_path / "gone").write(LINES)
    assert caught.value.person
    assert not far.writes


def test_body_is_a_seventh_of_its_lines(far):
    lines = [
        f"condmon,machine=mill-1,signal=s{n % 40},site=Pier value={n % 7}.5 {n}000000".encode()
        for n in range(5000)
    ]
    server(far.url).write(lines)
    [write] = far.writes
    assert int(write.headers["Content-Length"]) * 7 < sum(map(len, lines))
    assert len(gzip.compress(b"\n".join(lines), 1)) == int(write.headers["Content-Length"])
