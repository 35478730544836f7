"""The yardstick of the replay bench: the whole day's judgement as a plain loop over samples.

What one would write first: a value at a time, an object for each signal, a call of every check
every second, sums of minutes kept as they come. It reads, doubts and holds values and ages as the
engine does, and runs **every** shipped check that the bench's machine gets, with the same figures,
holds and releases, both fitted models, and the usage counters. Nothing in it is slow on purpose:
signals are looked up once, objects have slots, a check that needs minutes is asked by the minute.

What the product itself does minute by minute on plain lists, or asks of a model once a minute, is
used as it stands: what is usual of a day (`past`, `oiluse`, `levels`, `warming`), the step of a
thermal model (`thermal.Runner`), features and score of the odd pattern (`frames`, `oddness`).

What it leaves out, so that it does less than the engine: clocks of sources, repeats and late
samples, texts and ids and facts of alerts, states and people, the log, the digest and floods, the
service book, the baseline of a return-to-service run, snapshots, and the checks of condmon itself.
It also cannot be cut, stopped and gone on with.
"""
