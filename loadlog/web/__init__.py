"""The live page, the JSON interface, the event stream and the metrics of one bench.

Everything here reads recordings and sends orders over the recorder's control socket; nothing here can slow a poll. The web framework is
used in this package and in `viewer` only.
"""

from loadlog.web.access import Access, load_access
from loadlog.web.app import build_app
from loadlog.web.site import Site

__all__ = ["Access", "Site", "build_app", "load_access"]
