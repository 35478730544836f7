"""The flat forest: scikit-learn's own scores, and no walk out of bounds."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from condmon.engine.forest import LEAF, Forest, ForestError, from_text, to_text
from condmon.learning.grow import background, flat, grown
from tests.generated import generated


def rows(n=600, p=7, seed=3):
    rng = np.random.default_rng(seed)
    made = rng.normal(size=(n, p))
    made[:, 1] = np.round(made[:, 0] * 2 + rng.normal(size=n) * 0.1, 1)  # ties and a relation
    made[:, 2] = 4.0  # never changes
    return made


@pytest.mark.parametrize(("n", "p", "sampled"), [(600, 7, 128), (400, 1, 256), (90, 30, 64)])
def test_scores_equal_scikit_learns_own(n, p, sampled):
    train = rows(n, max(p, 3))[:, :p]
    own = grown(np.concatenate([train, background(train, 1.5, seed=1)]), seed=5, sampled=sampled)
    asked = np.concatenate([train, rows(500, max(p, 3), seed=9)[:, :p] * 3])
    ours = Forest(flat(own), p).scores(asked)
    assert np.abs(-own.score_samples(asked) - ours).max() <= 3e-16


def test_values_at_a_split_go_the_same_way_as_in_scikit_learn():
    own = grown(rows(), seed=5)
    tree = own.estimators_[0].tree_
    first = tree.threshold[0]
    near = np.float32(first)
    edge = np.zeros((5, 7))
    up, down = np.nextafter(near, np.float32(9)), np.nextafter(near, np.float32(-9))
    edge[:, tree.feature[0]] = [first, near, up, down, first + 1e-12]
    assert np.abs(-own.score_samples(edge) - Forest(flat(own), 7).scores(edge)).max() <= 3e-16


def test_a_row_has_the_same_bits_alone_and_among_others():
    forest = Forest(flat(grown(rows(), seed=5)), 7)
    asked = rows(200, seed=8)
    whole = forest.scores(asked)
    assert whole.tolist() == [float(forest.scores(asked[i : i + 1])[0]) for i in range(200)]


def test_text_gives_the_same_forest_back():
    trees = flat(grown(rows(), seed=5))
    again = from_text(to_text(trees))
    asked = rows(50, seed=4)
    assert Forest(trees, 7).scores(asked).tolist() == Forest(again, 7).scores(asked).tolist()


@cache
def small():
    return flat(grown(rows(), seed=5, trees=5))


def damaged(**change):
    trees = small()
    for name, (place, value) in change.items():
        column = getattr(trees, name).copy()
        column[place] = value
        trees = replace(trees, **{name: column})
    return trees


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"right": (0, 10**6)}, "leads out"),
        ({"right": (0, 0)}, "leads out"),
        ({"right": (0, 3)}, "two branches|no tree"),
        ({"feature": (0, 7)}, "none of the 7"),
        ({"feature": (0, -5)}, "none of the 7"),
        ({"feature": (0, LEAF)}, "no tree"),
        ({"level": (0, np.nan)}, "no number"),
        ({"samples": (3, -1)}, "less than no rows"),
        ({"root": (0, 1)}, "one after the other"),
        ({"root": (-1, 10**6)}, "one after the other"),
    ],
)
def test_a_broken_tree_is_refused_with_a_reason(change, said):
    with pytest.raises(ForestError, match=said):
        Forest(damaged(**change), 7)


@generated(usual=150, per_mille=10)
@given(st.data())
def test_any_damage_to_the_columns_is_refused_or_scores_within_bounds(data):
    name = data.draw(st.sampled_from(["root", "feature", "right", "samples"]))
    place = data.draw(st.integers(0, 4))
    value = data.draw(st.integers(-(2**15), 2**15 - 1))
    try:
        scores = Forest(damaged(**{name: (place, value)}), 7).scores(rows(5))
    except ForestError:
        return
    assert np.all((scores >= 0) & (scores <= 1))


@pytest.mark.parametrize("text", [None, "%%%", "aGFsbG8=", 7])
def test_an_unreadable_column_is_refused_with_a_reason(text):
    whole = to_text(damaged())
    with pytest.raises(ForestError, match="column"):
        from_text({**whole, "level": text})


def test_a_column_that_unpacks_without_end_is_refused():
    import base64
    import zlib

    bomb = base64.b64encode(zlib.compress(bytes(50_000_000))).decode()
    with pytest.raises(ForestError, match="larger than allowed"):
        from_text({**to_text(damaged()), "level": bomb})
