"""The history: finished days sealed into files, kept as long as wished, read together with today.

`places` says where things lie, `recordings` reads what the recorder wrote, `sheets` writes files
that can be trusted, `seal` makes days of recordings, `retention` says what goes, `store.History`
reads it all, `chore` lets the daemon have the work done in a process of its own.
"""
