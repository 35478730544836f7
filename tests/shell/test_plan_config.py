"""The plan and the alert topic as they are written, refused and told in words."""

import pytest

from condmon.config import load
from condmon.delivery.plantext import plan_words
from condmon.errors import ConfigError
from tests.daemons import HEAD, MILL
from tests.shell.test_plan import config


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        ('[plan.now]\nways = ["olla"]', 'there is no way "olla" under [send]; did you mean "ola"?'),
        ('[plan.note]\nways = ["gate"]', '"gate" does not take note; add it to urgencies'),
        ('[plan.now]\nhand_over_to = ["ola"]', "hand_over_after and hand_over_to go together"),
        ('[plan.now]\nnext_after = "5 min"', "there is no next way to try; name one in next_ways"),
        ('[plan]\nquiet = ["Mon-Sun 00:00-24:00"]', "leaves no hour of the week"),
        ('[plan.note]\nnext_ways = ["ola", "kari"]', "nobody would be told at once"),
        ('[plan]\ntest = "8"', 'write the time of day as hours and minutes, like "07:00"'),
    ],
)
def test_slip_in_the_plan_is_told(tmp_path, plan, words):
    with pytest.raises(ConfigError) as told_:
        config(tmp_path, plan)
    assert words in str(told_.value)


def test_way_that_the_plan_leaves_out_is_warned_of(tmp_path):
    plan = "".join(f'[plan.{urgency}]\nways = ["ola"]\n' for urgency in ("now", "today", "note"))
    told_ = [
        one.split(": ", 1)[1] for one in config(tmp_path, plan).warnings if "by this plan" in one
    ]
    assert [
        '[plan]: "kari" gets no message by this plan but the test message',
        '[plan]: "gate" gets no message by this plan but the test message',
    ] == sorted(told_, reverse=True)


EVERYTHING = """[plan]
quiet = ["Mon-Fri 21:00-06:00", "Sat 00:00-Sun 24:00"]
test = "08:00"
test_days = ["Mon-Fri"]
[plan.now]
ways = ["ola"]
unattended_ways = ["gate"]
next_ways = ["kari", "gate"]
remind_after = ["15 min", "1 h"]
hand_over_after = "30 min"
hand_over_to = ["kari"]
tell_end = true
[send.topic]
urgencies = ["now"]
"""


def test_plan_is_told_in_words_as_the_check_command_prints_it(tmp_path):
    assert [
        "now: ola; in unattended hours gate; if none gets through in 5 min: kari, then gate; "
        "again after 15 min, 60 min; unseen after 30 min: kari; and its end",
        "today: ola, kari, gate",
        "note: ola, kari",
        "quiet, but for now: Mon 21:00 to Tue 06:00, Tue 21:00 to Wed 06:00, "
        "Wed 21:00 to Thu 06:00, Thu 21:00 to Fri 06:00, Fri 21:00 to Sat 06:00, "
        "Sat 00:00 to Sun 24:00",
        "test message: 08:00 on Mon Tue Wed Thu Fri",
        "alert topic condmon/alerts: now",
    ] == plan_words(config(tmp_path, EVERYTHING))


@pytest.mark.parametrize(
    ("heard", "refused"),
    [
        ("#", True), ("condmon/#", True), ("+/alerts/#", True), ("condmon/alerts/+/+/+", True),
        ("condmon/alerts/mill-1/+/x", True), ("pier/#", False), ("condmon/alerts/+", False),
        ("condmon/other/#", False), ("condmon/alerts/a/b/c/d", False),
    ],
)  # fmt: skip
def test_alert_topic_that_condmon_would_hear_itself_is_refused(tmp_path, heard, refused):
    path = tmp_path / "condmon.toml"
    head = HEAD.format(url="mqtt://127.0.0.1:1").replace("[store]", f'also = ["{heard}"]\n[store]')
    path.write_text(head + MILL + "[send.topic]\n")
    if refused:
        with pytest.raises(ConfigError, match="would hear its own alerts"):
            load(path)
    else:
        assert "condmon/alerts" == load(path).alert_topic.topic


def test_alert_topic_above_a_signal_is_refused(tmp_path):
    with pytest.raises(ConfigError, match="the signal bearing of mill-1 is sent below this topic"):
        config(tmp_path, '[send.topic]\ntopic = "pier/mill-1"\n')
