"""The return-to-service run: is the machine, after work on it, as it was before? Pure."""
