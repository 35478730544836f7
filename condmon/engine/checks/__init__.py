"""The shipped checks, one module each; `book.py` lists them."""
