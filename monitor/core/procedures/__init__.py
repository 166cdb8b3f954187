"""How a door should be worked, step by step, and how it was.

Owns what a procedure is, how a run of one is followed from readings, and what is told of it.
It judges no hazard and never changes a door: whoever shows a run shows a record, not an alert.
"""
