"""The shop's arithmetic: charts, trends, bearings, air. Pure; imports numpy and nothing of condmon.

Not: anything that knows of machines, signals, time zones or files.
"""
