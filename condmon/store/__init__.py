"""The data folder: recordings, journal and its hash chain, snapshots of the day, the lock."""
