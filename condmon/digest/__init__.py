"""The morning note and the weekly report: what happened while nobody looked, and what is open.

`compose` is pure and says it in words, `source` reads it out of the journal, `due` makes messages
of it at the time of the digest. The page shows the same reports.
"""
