"""The event log as a record that can be shown to others: proved whole, exported, reported."""
