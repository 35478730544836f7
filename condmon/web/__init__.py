"""The phone page: server-rendered pages, JSON and server-sent events, everything from this box.

`server` runs it in a thread of its own, `app` puts it together, `gate` stands before every request;
each of the others is one page or one thing the pages need. The libraries it stands on load only
where a configuration has a [web] section.
"""
