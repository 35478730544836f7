"""One file per way to reach a person."""
