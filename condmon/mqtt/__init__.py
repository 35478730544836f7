"""The broker: client, connection, inbox, and listening beside the daemon."""
