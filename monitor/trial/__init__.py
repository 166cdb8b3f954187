"""What another configuration would have done: a recorded period judged twice, and the difference.

Owns the pairing of the two runs' alerts and what is said of them. It judges nothing itself
and changes nothing: both runs go through the core, on systems of their own.
"""
