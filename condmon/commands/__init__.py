"""One module a command of the command line, and what only commands need; cli.py lists them."""
