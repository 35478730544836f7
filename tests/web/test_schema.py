"""The JSON interface under schemathesis: whatever is sent, no answer is a fault of ours."""

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from condmon.web.app import document
from tests.web.house import House

pytestmark = pytest.mark.slow
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]
schema = schemathesis.openapi.from_dict(document())


@pytest.fixture(scope="module")
def api(tmp_path_factory):
    """A house with an alert and the headers of an owner."""
    house = House(tmp_path_factory.mktemp("api")).start()
    house.healthy()
    house.raise_alert()
    house.parts.writes._times = 10_000
    house.page.live.act = quick(house.page.live.act)
    cookie = house.member("anna", "owner")
    headers = {
        "Cookie": f"condmon={cookie}",
        "Origin": house.url,
        "X-Form-Token": house.token(cookie),
    }
    yield house, headers
    house.stop()


def quick(act):
    """As it is; here to see that acts really were asked for."""

    def counted(*args, **facts):
        counted.times += 1
        return act(*args, **facts)

    counted.times = 0
    return counted


@schema.parametrize()
@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)
def test_no_request_makes_the_interface_stumble(api, case):
    house, headers = api
    if case.method == "POST" and isinstance(case.body, dict):
        case.body.setdefault("machine", "mill-1")  # so that some get as far as the log
    answer = case.call(base_url=house.url, headers=headers)
    case.validate_response(answer, checks=CHECKS, headers=headers)


def test_acts_that_make_sense_came_through(api):
    house, headers = api
    answer = house.client().post(
        "/api/actions",
        headers=headers,
        json={"do": "note", "machine": "mill-1", "text": "by a program of the shop's own"},
    )
    assert 200 == answer.status_code
    assert "by a program of the shop's own" == answer.json()["entry"]["text"]
    assert "anna" == answer.json()["entry"]["facts"]["by"]
    assert house.page.live.act.times >= 1


@pytest.mark.parametrize("body", [
    {"do": "note", "machine": "mill-1"}, {"do": "shelve", "alert": "ALERT"},
    {"do": "shelve", "alert": "ALERT", "for_s": 1e9}, {"do": "acknowledge", "alert": "none"},
    {"do": "note", "machine": "mill-9", "text": "x"}, {"do": "fly"}, {"do": "note", "more": 1},
    {"do": "out_of_service", "machine": "mill-1", "check": "none"},
])  # fmt: skip
def test_what_makes_no_sense_is_refused_with_words(api, body):
    house, headers = api
    alert = house.alerts()[0].id
    sent = {k: alert if v == "ALERT" else v for k, v in body.items()}
    answer = house.client().post("/api/actions", headers=headers, json=sent)
    assert answer.status_code in {400, 404, 422}
    assert "application/problem+json" == answer.headers["content-type"]
    assert answer.json()["title"]
