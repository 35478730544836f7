"""The generated tests together get what CONDMON_EXAMPLES asks for."""

import re
from pathlib import Path

SHARE = re.compile(r"@generated\(usual=\d+, per_mille=(\d+)\)")


def test_shares_of_the_generated_tests_make_a_whole():
    texts = [path.read_text() for path in Path(__file__).parent.rglob("test_*.py")]
    shares = [int(share) for text in texts for share in SHARE.findall(text)]
    assert 1000 == sum(shares)
