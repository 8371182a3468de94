"""`loadlog demo`: the simulated workshop, the service on it, and one run from start to review."""

from loadlog.demo.run import run_demo

__all__ = ["run_demo"]
