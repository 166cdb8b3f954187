"""Who may use the service: people, their sessions, tokens, and the record of every change to them.

Owns the access store in the data folder. It knows nothing of aircraft and nothing of
HTTP, and gives away neither a password nor a secret.
"""

from monitor.adapters.access.office import AccessOffice, open_access
from monitor.adapters.access.store import ACCESS_FILE, AccessStore

__all__ = ["ACCESS_FILE", "AccessOffice", "AccessStore", "open_access"]
