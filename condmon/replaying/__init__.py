"""Replays: streams out of files or the store, paced, cut, run and compared. No command is here."""
