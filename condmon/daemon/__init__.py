"""`condmon run`: the daemon, its turn, and what keeps it standing; it puts all parts together."""
