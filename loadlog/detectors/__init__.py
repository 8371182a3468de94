"""What happened, to what, when, how sure: detectors over validated samples. Pure, sample by sample, O(1) in time and memory."""

from loadlog.detectors.base import Context, Detector, Order, Peer
from loadlog.detectors.registry import DECLARED_KINDS, detectors_for

__all__ = ["DECLARED_KINDS", "Context", "Detector", "Order", "Peer", "detectors_for"]
