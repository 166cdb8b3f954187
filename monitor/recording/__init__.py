"""Captures on disk: recorded from a broker, read back however they were left, played to a broker again.

Owns the files and the connections of these commands. It judges no door: what a capture
leads to is the core's affair, and the form of a line that of :mod:`monitor.adapters.capture`.
"""
