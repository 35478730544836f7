"""The pure heart: records in, outputs out. No I/O, no clock, no logging, no unseeded randomness."""
