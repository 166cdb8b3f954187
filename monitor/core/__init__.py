"""The pure core: readings in, door states and alerts out.

Nothing in this package asks for the time, draws a random number, logs, waits or
touches a file or a socket. Time is an ``int`` of microseconds since the Unix
epoch, always handed in (``now``), and what should happen is returned as values
(:mod:`monitor.core.effects`).
"""
