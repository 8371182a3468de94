"""Notices: who is told of what happens on the bench, and that nothing does.

The way: recordings -> `desks` (what is new; state kept) -> `desk` (one address: on-delay, group, quiet hours, rate) -> `text` -> the
viewer's database -> `courier` (back-off) -> `sender` (apprise). `watch` sees what no recorder can record, `heartbeat` feeds a dead-man
switch elsewhere. apprise is loaded only where something is told.
"""

from loadlog.notify.heartbeat import load_heartbeat
from loadlog.notify.sender import load_addresses
from loadlog.notify.service import Notices, check_notify

__all__ = ["Notices", "check_notify", "load_addresses", "load_heartbeat"]
