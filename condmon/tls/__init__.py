"""The box's own certificates: its authority, and the names it goes by."""
