"""Everything that touches the world: bytes, brokers, disks and screens.

Owns nothing itself. An adapter knows the core's values and the ports, never another
adapter; only the wire format (``wire`` and its ``wire_…`` parts) is shared.
"""
