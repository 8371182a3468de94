"""What happened, to what, when, how sure: detectors over validated samples. Pure, sample by sample, O(1) in time and memory.

The modules beside this one may be compiled (`setup.py`): the same sources, which then tell the same in less time.
"""

from types import FunctionType

from loadlog.detectors.base import Context, Detector, Order, Peer
from loadlog.detectors.registry import DECLARED_KINDS, detectors_for

COMPILED = not isinstance(detectors_for, FunctionType)

__all__ = ["COMPILED", "DECLARED_KINDS", "Context", "Detector", "Order", "Peer", "detectors_for"]
