"""Grows an isolation forest with scikit-learn and lays it flat for `engine/forest.py`.

Never imported by the daemon itself: importing scikit-learn costs 2 s and 118 MB.
"""

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import IsolationForest

from condmon.engine.forest import LEAF, Trees
from condmon.engine.records import F64

TREES = 100
ROWS = 128
"""Rows a tree is grown from; more make the model larger, and no better on the open data."""


def grown(rows: F64, *, seed: int, trees: int = TREES, sampled: int = ROWS) -> IsolationForest:
    """A forest of scikit-learn over rows (n, p) without NaN, the same for the same seed."""
    forest = IsolationForest(
        n_estimators=trees, max_samples=min(sampled, len(rows)), random_state=seed, n_jobs=1
    )
    return forest.fit(rows)


def background(rows: F64, wide: float, *, seed: int) -> F64:
    """As many rows again, spread evenly over a box `wide` times as wide as the rows.

    Without them a forest is grown on healthy rows only and knows nothing of the space around them.
    """
    reach = np.maximum(np.abs(rows).max(axis=0) * wide, 1e-9)
    return np.random.default_rng(seed).uniform(-reach, reach, rows.shape)


def flat(forest: IsolationForest) -> Trees:
    """The same forest as flat columns."""
    root: list[int] = []
    parts: dict[str, list[NDArray[np.generic]]] = {n: [] for n in ("f", "t", "r", "n")}
    start = 0
    for grown_tree in forest.estimators_:
        tree = grown_tree.tree_
        leaf = tree.children_left < 0
        assert np.array_equal(tree.children_left[~leaf], np.flatnonzero(~leaf) + 1), "not preorder"
        root.append(start)
        parts["f"].append(np.where(leaf, LEAF, tree.feature).astype(np.int16))
        parts["t"].append(np.where(leaf, np.float32(0), _down(tree.threshold)))
        parts["r"].append(np.where(leaf, 0, tree.children_right + start).astype(np.int32))
        parts["n"].append(np.where(leaf, tree.n_node_samples, 0).astype(np.int32))
        start += tree.node_count
    feature, level, right, samples = (np.concatenate(parts[n]) for n in ("f", "t", "r", "n"))
    return Trees(
        np.array(root, np.int32),
        feature.astype(np.int16),
        level.astype(np.float32),
        right.astype(np.int32),
        samples.astype(np.int32),
        int(forest.max_samples_),
    )


def _down(threshold: F64) -> NDArray[np.float32]:
    """The largest 32-bit float that is not above each; a 32-bit value compares the same with it."""
    near = threshold.astype(np.float32)
    below = np.nextafter(near, np.float32(-np.inf))
    return np.where(near.astype(np.float64) > threshold, below, near)
