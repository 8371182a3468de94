"""From the recordings to time-series databases: every sample, event and heartbeat, to each target by itself, exactly once in effect.

The viewer's process runs it (`Forwarding`). `Courier` carries for one target; `naming` says what things are called there. Exactly once: the
lines are deterministic and every point's stamp is its own, so a repeat changes nothing; the cursor moves only after an acknowledgement, so
nothing is left out.
"""

from loadlog.forwarder.facts import State, TargetFacts
from loadlog.forwarder.sender import Credentials, load_credentials
from loadlog.forwarder.service import Forwarding

__all__ = ["Credentials", "Forwarding", "State", "TargetFacts", "load_credentials"]
