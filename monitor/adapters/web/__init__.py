"""The HTTP side: JSON answers, people's commands, the live stream and the page.

Owns everything that speaks HTTP. It reads the engine through :class:`.ports.Reader`
and changes it only by submitting a command; it never decides what a reading means.
"""

from monitor.adapters.web.board_watch import BoardWatch
from monitor.adapters.web.boards import Boards
from monitor.adapters.web.listening import ListenError
from monitor.adapters.web.ports import MetricsPage, Reader
from monitor.adapters.web.server import WebServer
from monitor.adapters.web.stream import Stream

__all__ = ["BoardWatch", "Boards", "ListenError", "MetricsPage", "Reader", "Stream", "WebServer"]
